"""`python -m rig.cli`: the command, where it was not installed."""

import sys

from rig.cli import main

sys.exit(main())
