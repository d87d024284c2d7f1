"""Which parameters of each command are files, and that none of those written is written twice or read as well."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from stat import S_ISDIR, S_ISREG
from typing import Any

from waykeeper.findings import WaykeeperError, finding

# Command -> parameters that are written to, and those that are read, by their names in the command's function. A test
# holds that every parameter of a command is here or is no file.
WRITTEN: Mapping[str, tuple[str, ...]] = {
    "calendar": ("ics",),
    "compile": ("output",),
    "demo": ("output",),
    "export": ("output",),
    "gaps": ("html", "csv", "json_", "todo"),
    "letters": ("output",),
    "measures": ("csv", "json_"),
    "medicines": ("html",),
    "move": ("html", "json_", "sheet", "ics", "output"),
    "pathways": ("html", "json_"),
    "push": ("ledger", "errors_to"),
    "sandbox": ("db",),
    "sheet": ("html",),
    "validate": ("json", "junit", "sarif", "write_baseline"),
}
# Of these the folders and databases: `-` is a name there like any other, and never standard output.
NO_STREAM: Mapping[str, tuple[str, ...]] = {
    "demo": ("output",),
    "export": ("output",),
    "letters": ("output",),
    "push": ("ledger", "errors_to"),
    "sandbox": ("db",),
}
READ: Mapping[str, tuple[str, ...]] = {
    "calendar": ("bundle",),
    "check": ("pathway", "clinic"),
    "compile": ("pathway", "clinic", "patient", "cases", "mapping"),
    "explain": ("bundle",),
    "gaps": ("from_", "theatre_list", "since", "mapping"),
    "issues": ("from_", "theatre_list", "mapping"),
    "letters": ("from_", "theatre_list", "mapping"),
    "measures": ("from_", "mapping"),
    "medicines": ("clinic", "patient"),
    "move": ("from_", "record", "cases", "clinic", "pathway"),
    "note": ("cases",),
    "pathways": ("compare", "review", "clinic"),
    "push": ("bundle",),
    "sandbox": ("load",),
    "sheet": ("bundle",),
    "validate": ("paths", "profile", "baseline"),
}
ARGUMENTS = ("bundle", "paths", "pathway")
# What is read whole before it is written anew: a baseline is brought up to date in its place.
TOGETHER = {("write_baseline", "baseline")}


@dataclass(frozen=True, slots=True)
class _Place:
    """A path that was given, and by what it is known, whatever it is called."""

    parameter: str
    path: str
    name: object
    is_folder: bool

    @property
    def option(self) -> str:
        return "what is read" if self.parameter in ARGUMENTS else f"--{self.parameter.strip('_').replace('_', '-')}"


def apart(command: str, given: Mapping[str, Any]) -> None:
    """Raises WaykeeperError WKC203 where two files of a command line are one and at least one of them is written.

    Asked before anything is done. Standard output takes one of them; devices and pipes may be given as often as wanted.
    """
    _one_stream(command, given)
    written = list(_places(given, WRITTEN.get(command, ())))
    for n, one in enumerate(written):
        for other in written[:n]:
            if one.name == other.name:
                said = f"{other.option} and {one.option} are one file, {one.path!r}"
                raise WaykeeperError(finding("WKC203", said, help="Give each a file of its own."))
    for source in _places(given, READ.get(command, ())) if written else ():
        for one in written:
            if (one.parameter, source.parameter) not in TOGETHER and _overwrites(one, source):
                said = f"{one.option} {one.path!r} would be written over {_called(one, source)}"
                raise WaykeeperError(finding("WKC203", said, help="Write to another file; what is read stays."))


def to_stdout(command: str, given: Mapping[str, Any]) -> bool:
    """True where standard output takes a document of the command, by whatever name: then nothing else goes there."""
    from waykeeper.exchange.files import is_stdout

    return any(is_stdout(str(given[name])) for name in _streams(command) if given.get(name))


def _streams(command: str) -> list[str]:
    """The parameters for which `-` is standard output."""
    return [name for name in WRITTEN.get(command, ()) if name not in NO_STREAM.get(command, ())]


def _one_stream(command: str, given: Mapping[str, Any]) -> None:
    """Two documents in one stream are neither: nothing that reads it can tell where the second begins."""
    there = [_Place(name, "-", "-", False).option for name in _streams(command) if given.get(name) == "-"]
    if len(there) > 1:
        said = f"{' and '.join(there)} are both written to standard output, '-'"
        raise WaykeeperError(finding("WKC203", said, help="Give each but one a file of its own."))


def _called(one: _Place, source: _Place) -> str:
    """What is in danger, in the words of the command line."""
    if one.name == source.name:
        return source.option if source.option.startswith("-") else "what the command reads"
    return f"a file of {source.path!r}, which is read"


def _overwrites(one: _Place, source: _Place) -> bool:
    """True where what is written is what is read, or a file that stands in a folder that is read."""
    from waykeeper.exchange.files import ENDINGS, ends_in

    if one.name == source.name:
        return True
    if not source.is_folder or one.is_folder or not ends_in(one.path, ENDINGS):
        return False
    target = Path(one.path)
    return target.exists() and Path(source.path).resolve() in target.resolve().parents


def _places(given: Mapping[str, Any], parameters: tuple[str, ...]) -> Iterator[_Place]:
    """The files and folders among the values; not addresses, names of the library, `-`, devices and pipes."""
    for parameter in parameters:
        value = given.get(parameter) or ()
        for path in (value,) if isinstance(value, str) else value:
            found = _known(str(path))
            if found is not None:
                yield _Place(parameter, str(path), *found)


def _known(path: str) -> tuple[object, bool] | None:
    """By what a path is known, and whether it is a folder; None for what may be given twice, or is no path."""
    if path == "-" or "://" in path:
        return None
    try:
        stands = Path(path).stat()
        if S_ISREG(stands.st_mode) or S_ISDIR(stands.st_mode):
            return (stands.st_dev, stands.st_ino), S_ISDIR(stands.st_mode)
        return None
    except FileNotFoundError:
        return str(Path(path).resolve()), False
    except (OSError, ValueError, RuntimeError):  # whoever opens it says what is wrong with it
        return None
