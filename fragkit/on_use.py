"""Names of a package that are loaded when they are first asked for."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any


def loaded_on_use(package: str, module_of: Mapping[str, str]) -> Callable[[str], Any]:
    """The `__getattr__` of a package whose public names lie in the modules that `module_of` states."""

    def load(name: str) -> Any:
        if name not in module_of:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        return getattr(import_module(f"{package}.{module_of[name]}"), name)

    return load
