"""Lets the test here import the modules beside it, as the script does."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
