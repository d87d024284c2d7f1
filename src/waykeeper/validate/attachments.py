"""Attachments: the digest must be that of the data."""

from __future__ import annotations

import binascii
from base64 import b64decode, b64encode
from hashlib import sha1
from typing import Any

from waykeeper.validate.run import Place, Run


def check_attachment(value: Any, here: Place, run: Run) -> None:
    """The stated hash is the SHA-1 of the data (R4, Attachment.hash)."""
    data, stated = value.get("data"), value.get("hash")
    if not isinstance(data, str) or not isinstance(stated, str):
        return
    try:
        held = b64decode(data, validate=False)
    except (binascii.Error, ValueError):
        return  # the primitive check says so
    if b64encode(sha1(held, usedforsecurity=False).digest()).decode() != stated:
        run.add("WKV204", (here, "hash"), "the hash is not that of the data")
