"""A version of a pathway or of a part has one content: what was signed under it is what is compiled."""

from golden.rewrite import CONTENTS, contents, item_keys, known_keys
from waykeeper.pathway import library
from yaml_text import typed


def test_no_content_changed_under_its_version():
    known = typed(CONTENTS.read_text("utf-8"))
    assert contents() == known, "raise the version of what was released, else run make golden and read what changed"


def test_every_pathway_and_part_is_listed():
    listed = [name.split()[:2] for name in contents()]
    wanted = [["pathway", n] for n in library.names()] + [["part", n] for n in library.part_names()]
    assert listed == wanted


def test_no_item_lost_the_key_by_which_its_bookings_are_found():
    """A key that is gone was renamed, or its item ended: then take it out of item_keys.yaml by hand, knowing that."""
    assert {name: sorted({*known} - {*item_keys().get(name, [])}) for name, known in known_keys().items()} == {
        name: [] for name in known_keys()
    }


def test_every_key_is_written_down():
    assert item_keys() == known_keys(), "run make golden"
