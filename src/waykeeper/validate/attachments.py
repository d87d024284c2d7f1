"""Attachments: size and digest must be those of the data."""

from __future__ import annotations

import binascii
from base64 import b64decode, b64encode
from hashlib import sha1
from typing import Any

from waykeeper.validate.run import Place, Run


def check_attachment(value: Any, here: Place, run: Run) -> None:
    """The stated size is that of the data in bytes, the stated hash its SHA-1 (R4, Attachment).

    R4 lets base64 have white space; in an attachment the official validator cannot decode it and refuses it.
    """
    data, size, stated = value.get("data"), value.get("size"), value.get("hash")
    if isinstance(data, str) and any(letter.isspace() for letter in data):
        run.add("WKV202", (here, "data"), "the data of an attachment has white space; allowed: base64 without it")
    if not isinstance(data, str) or (size is None and stated is None):
        return
    try:
        held = b64decode(data, validate=False)
    except (binascii.Error, ValueError):
        return  # the primitive check says so
    if isinstance(size, int) and size != len(held):
        run.add("WKV204", (here, "size"), f"the size says {size} bytes, the data has {len(held)}")
    if isinstance(stated, str) and b64encode(sha1(held, usedforsecurity=False).digest()).decode() != stated:
        run.add("WKV204", (here, "hash"), "the hash is not that of the data")
