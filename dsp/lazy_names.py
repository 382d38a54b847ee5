"""Public names of a package, each loaded when it is first used (PEP 562)."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Callable, Mapping


def lazy_names(
    package: str, modules: Mapping[str, tuple[str, ...]]
) -> tuple[Callable[[str], object], Callable[[], list[str]], list[str]]:
    """Return a package's ``__getattr__``, ``__dir__`` and ``__all__``.

    Parameters
    ----------
    package : str
        The package's own name.
    modules : mapping
        The names that are loaded from each of its modules, by the module's name within it.
    """
    module_of = {name: module for module, names in modules.items() for name in names}
    public = sorted(module_of)
    kept = vars(sys.modules[package])

    def load(name: str) -> object:
        if name not in module_of:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        module = importlib.import_module(f"{package}.{module_of[name]}")
        kept[name] = value = getattr(module, name)
        return value

    def names() -> list[str]:
        return sorted({*kept, *public})

    return load, names, public
