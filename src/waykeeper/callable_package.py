"""Some rooms bear the name of a command: `waykeeper.validate`, `.gaps`, `.medicines`, `.sandbox`.

Importing such a room puts the package where the function would be, so the package itself is made callable. Then
`waykeeper.gaps("plan.json")` and `from waykeeper.gaps import worklist` both work, whichever was imported first.
`help(waykeeper.gaps)` can only show the room, so its first lines say where the help of the function is.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import Any


def make_callable(package: str, module: str, function: str) -> None:
    """Calling the package calls `function` of `module`, which is imported at the first call and not before."""

    class CallablePackage(ModuleType):
        def __call__(self, *args: Any, **kwargs: Any) -> Any:
            return getattr(import_module(module), function)(*args, **kwargs)

        @property
        def __signature__(self) -> Any:
            """What a call takes, for `inspect.signature` and the help of editors."""
            from inspect import signature

            return signature(getattr(import_module(module), function))

    sys.modules[package].__class__ = CallablePackage
