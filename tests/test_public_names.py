"""The public names: as they are loaded, as a type checker sees them, and as they are documented."""

import ast
import importlib
import re
import subprocess
import sys
from pathlib import Path

import pytest
from typist import PATIENCE_S

import dsp
import rig

ROOT = Path(__file__).parents[1]
PACKAGES = pytest.mark.parametrize("package", [dsp, rig], ids=["dsp", "rig"])


def documented(package):
    """The names in the package's table in DEVELOPERS.md."""
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = re.search(r"^## Public names\n(.*?)^## ", page, re.DOTALL | re.M)[1]
    table = re.search(
        rf"^\| `{package.__name__}` \| names \|\n\|---\|---\|\n((?:\|.*\n)+)", section, re.M
    )[1]
    return [name for row in table.splitlines() for name in re.findall(r"`(\w+)`", row)]


def for_type_checkers(package):
    """What is imported under TYPE_CHECKING: from where, and as what."""
    tree = ast.parse(Path(package.__file__).read_text(encoding="utf-8"))
    (block,) = (
        node
        for node in tree.body
        if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING"
    )
    return {alias.asname: (line.module, alias.name) for line in block.body for alias in line.names}


@PACKAGES
def test_the_public_names_are_those_documented(package):
    names = documented(package)
    assert len(names) == len(set(names))
    assert sorted(names) == package.__all__


@PACKAGES
def test_each_name_is_what_its_module_and_a_type_checker_have_under_it(package):
    typed = for_type_checkers(package)
    assert sorted(typed) == package.__all__
    for name, (module, inside) in typed.items():
        assert name == inside  # or a checker would not take it as handed on (PEP 484)
        assert getattr(package, name) is getattr(importlib.import_module(module), name)


@PACKAGES
def test_each_function_and_class_says_what_it_is(package):
    for name in package.__all__:
        public = getattr(package, name)
        assert not callable(public) or (public.__doc__ or "").strip(), name


@PACKAGES
def test_what_is_no_public_name_is_not_there(package):
    with pytest.raises(AttributeError, match=rf"module '{package.__name__}' has no attribute 'x_'"):
        _ = package.x_
    assert set(package.__all__) <= set(dir(package))


@PACKAGES
def test_the_types_go_along(package):
    assert Path(package.__file__).with_name("py.typed").is_file()


def loaded_by(code):
    """Which modules some code has loaded, of itself and of libraries."""
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport sys\nprint(*sys.modules)"],
        capture_output=True,
        text=True,
        check=True,
        timeout=PATIENCE_S,
    )
    return set(done.stdout.split())


def test_importing_loads_nothing():
    loaded = loaded_by("import dsp, rig")
    assert {m for m in loaded if m.startswith(("dsp", "rig"))} == {"dsp", "dsp.lazy_names", "rig"}
    assert "numpy" not in loaded


def test_a_bench_to_ping_with_loads_nothing_that_draws_or_fits():
    loaded = loaded_by("import rig\nrig.open_bench, rig.read")
    slow = {"matplotlib", "pandas", "xarray", "scipy.signal", "scipy.optimize", "soundfile"}
    assert not loaded & slow
