"""A bulk export split by patient, so that each part fits in memory whatever the size of the whole."""

from __future__ import annotations

import gzip
import re
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import orjson

from waykeeper.exchange.files import ENDINGS, Held, ends_in, is_ndjson, readable
from waykeeper.exchange.products import Products, products_in
from waykeeper.exchange.unreadable import zoneless
from waykeeper.fhir.patients import Names, Persons, persons_of
from waykeeper.fhir.shape import misshapen, with_whose
from waykeeper.findings import Position, WaykeeperError, finding
from waykeeper.record import PRODUCTS, resources_of

# Types of which R4 knows one place for the patient, at the top (or as a participant), so that a line need not be parsed
# to know whose it is: `_SIMPLE` names type and all that `_named_plainly` asks.
_SIMPLE = re.compile(
    rb'\{"resourceType":"(?:CarePlan|ServiceRequest|Appointment|Encounter|Task|MedicationRequest|MedicationStatement'
    rb'|CommunicationRequest|Communication|Goal|Flag|DetectedIssue|Procedure|Observation|Condition)"'
)
_ABOUT = tuple(b'"%b":{"reference":' % name for name in (b"subject", b"patient", b"for", b"actor"))
_NAME = re.compile(rb'"(Patient/[A-Za-z0-9.-]+)"')


@dataclass(frozen=True, slots=True)
class Parts:
    """What a partition wrote: each part is some files that together hold whole patients, in the order of the export.

    `lines` and `bytes` are those that were read, `products` what is in no part and may be wanted in each: see
    `products.with_products`.
    """

    files: tuple[tuple[Path, ...], ...]
    lines: int
    bytes: int
    products: tuple[Path, ...] = ()


def bulk_files(path: str) -> list[Path]:
    """The files of a folder that holds NDJSON and nothing else that is read; else an empty list."""
    folder = Path(path)
    if not folder.is_dir():
        return []
    found = sorted(p for p in folder.rglob("*") if p.is_file() and ends_in(p.name, ENDINGS))
    return found if all(is_ndjson(p.name) for p in found) else []


def partition(files: Iterable[Path], into: Path, count: int, pool: Executor | None = None) -> Parts:
    """Write every line into the part of its patient, one of `count`, in the order in which it was read.

    Whoever may be one person stays together: all names that any resource gives one patient, references and identifiers,
    are followed here, and `fhir.Patients` then says in each part who is who. What names several patients, as a class
    does, goes into the part of each, what names nobody into the first. Medications and Substances are nobody's and may
    be wanted by each: `products` keeps them. Memory: one line, and the names of the patients.
    The files are read once, half of them by a process of `pool` where one is given, and a line that says plainly whose
    it is is not parsed, unless something shows that a reference is not all that matters. Raises WaykeeperError WKC101
    to WKC103.
    """
    files = list(files)
    first, second = _halves(files) if pool else (files, [])
    beside = pool.submit(_learning, second, into / "1", count) if pool and second else None
    said, plain = _learning(first, into / "0", count)
    told = [said]
    if beside:
        more, other = beside.result()
        told.append(more)
        plain.learn(other)
    if plain.enough():
        return _together(told)
    names = Names()
    for file in files:
        for number, line in _lines(file):
            for person in _persons(_resource(file, number, line)):
                names.join(person)

    def who_of(file: Path, number: int, line: bytes) -> _Whose:
        resource = _resource(file, number, line)
        if resource["resourceType"] in PRODUCTS:
            return None, products_in(resource)
        return [names.root(person[0]).encode() for person in _persons(resource)], products_in(resource)

    for one in told[1:]:  # all lines are written anew, into the parts of the first half
        for (file,) in one.files:
            file.unlink()
    return _split(files, into / "0", count, who_of)


def _halves(files: Sequence[Path]) -> tuple[Sequence[Path], Sequence[Path]]:
    """The files cut in two where the bytes before and after are most alike, each in the order of the whole."""
    sizes = [file.stat().st_size for file in files]
    cut = min(range(len(files) + 1), key=lambda n: abs(sum(sizes[:n]) - sum(sizes[n:])))
    return files[:cut], files[cut:]


def _together(told: Sequence[Parts]) -> Parts:
    """Each part with its files of all halves."""
    files = tuple(tuple(file for one in same for file in one) for same in zip(*(t.files for t in told), strict=True))
    products = tuple(file for one in told for file in one.products)
    return Parts(files, sum(t.lines for t in told), sum(t.bytes for t in told), products)


def _learning(files: Sequence[Path], into: Path, count: int) -> tuple[Parts, _Plain]:
    """Some files split by references alone, and what was learnt of whether that is enough."""
    plain = _Plain()
    return _split(files, into, count, plain.who), plain


_Whose = tuple[Sequence[bytes] | None, Sequence[Held]]  # whom a line names, None for a product; the products in it
_Who = Callable[[Path, int, bytes], _Whose]


def _split(files: Iterable[Path], into: Path, count: int, who_of: _Who) -> Parts:
    """Each line into the part of each patient whom it names, once; into the first where it names nobody.

    What is a product and nothing else is kept apart.
    """
    into.mkdir(mode=0o700, exist_ok=True)
    made = tuple(into / f"{number:04}.ndjson" for number in range(count))
    apart = into / "products"
    lines = size = 0
    with ExitStack() as open_files, Products(apart) as products:
        out: list[BinaryIO] = [open_files.enter_context(one.open("wb")) for one in made]
        for file in files:
            for number, line in _lines(file):
                who, held = who_of(file, number, line)
                ended = _ended(line)
                if held:
                    products.add(held)
                if who and len(who) == 1:
                    out[zlib.crc32(who[0]) % count].write(ended)
                elif who is not None:
                    for part in {zlib.crc32(one) % count for one in who} or {0}:
                        out[part].write(ended)
                lines, size = lines + 1, size + len(line)
    return Parts(tuple((file,) for file in made), lines, size, (apart,))


class _Plain:
    """Whose each line is by its references alone, and whether that was enough."""

    def __init__(self) -> None:
        self._patients: set[bytes] = set()  # references of the Patients
        self._identifiers: dict[str, bytes] = {}  # of the Patients, with the reference of each
        self._named: set[bytes] = set()  # references by which a patient is named
        self._more = False  # somebody has two references, or is named by an identifier only

    def who(self, file: Path, number: int, line: bytes) -> _Whose:
        """The references in a line, none where it names nobody, and the products in it."""
        plain = _named_plainly(line)
        if plain:
            self._named.add(plain)
            return (plain,), ()
        resource = _resource(file, number, line)
        if resource["resourceType"] in PRODUCTS:
            return None, products_in(resource)
        persons: list[tuple[str, ...]] = []
        for pair in resources_of(resource):
            found = _persons_of(pair)
            persons += found
            if pair[1].get("resourceType") == "Patient" and found:
                own = found[0][0].encode()
                self._patients.add(own)
                if any(self._identifiers.setdefault(name, own) != own for name in found[0][1:]):
                    self._more = True
        said = [person[0].encode() for person in persons]
        if any(_is_identifier(person[0]) or _has_two_references(person) for person in persons):
            self._more = True
        self._named.update(said)
        return said, products_in(resource)

    def learn(self, other: _Plain) -> None:
        """What was learnt of further files, as if their lines had come after ours."""
        for name, reference in other._identifiers.items():
            self._more |= self._identifiers.setdefault(name, reference) != reference
        self._patients |= other._patients
        self._named |= other._named
        self._more |= other._more

    def enough(self) -> bool:
        """Whether no name but the references matters."""
        return not self._more and (not self._patients or self._named <= self._patients)


def _persons(resource: Mapping[str, Any]) -> Persons:
    """The patients whom a resource of an export is or names: the references of each, then `system|value`."""
    return tuple([person for pair in resources_of(resource) for person in _persons_of(pair)])  # of a Bundle, all in it


def _persons_of(pair: Held) -> list[tuple[str, ...]]:
    return [tuple(sorted(person, key=_is_identifier)) for person in persons_of(*pair)]


def _is_identifier(name: str) -> bool:
    return "|" in name


def _has_two_references(person: Sequence[str]) -> bool:
    """Whether somebody stands there under a second reference, as one who was merged does."""
    return len(person) > 1 and person[1] != person[0] and not _is_identifier(person[1])


def _ended(line: bytes) -> bytes:
    return line if line.endswith(b"}\n") else line.rstrip(b"\r\n") + b"\n"


class UnreadableError(Exception):
    """A line of a part cannot be read: `check` says which line of which file of the export that was."""


def resources(part: Sequence[Path]) -> list[Held]:
    """The resources of one part, each with the reference that names it. Raises UnreadableError."""
    read: list[dict[str, Any]] = []
    try:
        for file in part:
            with file.open("rb") as lines:  # as `_split` wrote them: none is blank
                read += map(orjson.loads, lines)
    except orjson.JSONDecodeError:
        raise UnreadableError from None
    found: list[Held] = []
    for number, resource in enumerate(read, 1):
        if resource["resourceType"] == "Bundle":
            found += resources_of(resource)
        else:
            found.append((f"{resource['resourceType']}/{resource.get('id') or f'#{number}'}", resource))
    return found


def check(files: Iterable[Path]) -> None:
    """Parse every line, so that the first that cannot be read is named. Raises WaykeeperError WKC101 to WKC103."""
    for file in files:
        for number, line in _lines(file):
            _resource(file, number, line)


def check_shapes(files: Iterable[Path]) -> None:
    """Look at the shape of every resource, so that one that keeps the others from being read is named.

    Raises WaykeeperError WKX219 with file and line, and as `check`; nothing where the shape of none is to blame.
    """
    for file in files:
        for number, line in _lines(file):
            resource = _resource(file, number, line)
            if wrong := misshapen(resource) or zoneless(resource):
                name = with_whose(f"{resource['resourceType']}/{resource.get('id') or '?'}", resource)
                raise WaykeeperError(finding("WKX219", f"{name}: {wrong}", Position(str(file), number)))


def _named_plainly(line: bytes) -> bytes:
    """The reference that stands in a line of ours or of a server's export, without parsing it; b"" for not known.

    Known only where the line names one patient and no other, in the place where its type has the patient.
    """
    first = line.find(b"Patient/") - 1
    told = _NAME.match(line, first) if first > 0 and line.endswith(_ABOUT, 0, first) else None
    if told is None or not _SIMPLE.match(line) or line.find(b'"contained"') >= 0:  # `in` first takes it for a number
        return b""
    actors = line.count(b'"actor":')
    if actors and actors != line.count(b'"actor":{"reference":'):  # who takes part is named in another way
        return b""
    rest = told.end()
    while (found := line.find(b"Patient/", rest)) >= 0:
        if line[found - 1 : found - 1 + len(told[0])] != told[0]:
            return b""
        rest = found + len(told[1])
    return told[1]


def _lines(file: Path) -> Iterator[tuple[int, bytes]]:
    packed = ends_in(file.name, ".gz")
    with readable(str(file)), file.open("rb") as raw, gzip.open(raw) if packed else raw as stream:
        for number, line in enumerate(stream, 1):
            said = line.removeprefix(b"\xef\xbb\xbf") if number == 1 else line
            if said and not said.isspace():
                yield number, said


def _resource(file: Path, number: int, line: bytes) -> dict[str, Any]:
    place = Position(str(file), number)
    try:
        found = orjson.loads(line)
    except orjson.JSONDecodeError as error:
        raise WaykeeperError(finding("WKC102", f"not JSON: {str(error).partition(':')[0]}", place)) from None
    if not isinstance(found, dict) or not isinstance(found.get("resourceType"), str):
        raise WaykeeperError(finding("WKC103", "no FHIR resource: resourceType is missing", place))
    return found
