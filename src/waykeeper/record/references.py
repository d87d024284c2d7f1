"""What a literal reference names, however it is written."""

from __future__ import annotations


def relative(reference: str) -> str:
    """`Type/id` of a literal reference, which may be absolute or name a version; a urn as it stands."""
    literal = reference.partition("/_history/")[0]
    return literal if literal.startswith("urn:") else "/".join(literal.split("/")[-2:])
