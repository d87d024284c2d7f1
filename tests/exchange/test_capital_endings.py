"""A file whose name ends in capitals (PATIENTS.NDJSON, MSG001.HL7) is read, never passed over in silence.

Source: common practice, no source (systems with names in capitals write them so).
"""

import gzip

from waykeeper.exchange.caseload import parcels
from waykeeper.exchange.files import documents, read_resources
from waykeeper.exchange.partition import bulk_files
from waykeeper.verbs.bookings import split
from waykeeper.verbs.validating import validate_files

LINE = b'{"resourceType":"Patient","id":"%s","gender":"male"}\n'


def folder(tmp_path):
    (tmp_path / "A.JSON").write_bytes(LINE % b"a")
    (tmp_path / "B.NDJSON").write_bytes(LINE % b"b" + LINE % b"c")
    (tmp_path / "C.Ndjson.GZ").write_bytes(gzip.compress(LINE % b"d" + LINE % b"e"))
    return str(tmp_path)


def test_every_document_of_a_folder_is_read(tmp_path):
    path = folder(tmp_path)
    assert [document["id"] for _, document in documents(path)] == ["a", "b", "c", "d", "e"]
    assert [name for name, _ in read_resources(path)] == [f"Patient/{one}" for one in "abcde"]
    assert validate_files(path).resources == 5
    assert len(list(parcels([path]))) == 5


def test_what_is_no_ndjson_keeps_a_folder_from_being_read_as_a_bulk_export(tmp_path):
    folder(tmp_path)
    assert not bulk_files(str(tmp_path))
    (tmp_path / "A.JSON").unlink()
    assert [file.name for file in bulk_files(str(tmp_path))] == ["B.NDJSON", "C.Ndjson.GZ"]


def test_every_message_of_a_folder_is_a_source(tmp_path):
    for name in ("1.hl7", "2.HL7"):
        (tmp_path / name).write_text("MSH|")
    assert split([str(tmp_path)]) == ([str(tmp_path / "1.hl7"), str(tmp_path / "2.HL7")], [])
