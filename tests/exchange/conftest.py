"""Each pathway of the library is checked once for all tests of this room."""

from checked_once import pathways_are_checked_once  # noqa: F401 - a fixture
