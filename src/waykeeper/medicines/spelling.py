"""One spelling for the many of a name: what is compared is compared in it."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

# Letters of two spellings, and the dashes.
SAME = str.maketrans({"µ": "u", "μ": "u", "–": "-", "œ": "oe", "Œ": "OE", "æ": "ae", "Æ": "AE"})
_GLUED = re.compile(r"(?<![a-z\d.])(\d+(?:\.\d+)?)([a-z])")
_THOUSANDS = re.compile(r"(?<=\d),(?=\d{3}\b)")
_PUNCTUATION = re.compile(r"[^a-z0-9.]+|(?<!\d)\.|\.(?!\d)")


@lru_cache(maxsize=4096)
def normalise(text: str) -> str:
    """Lower case, no accents, apostrophes or punctuation, single spaces: `St. John's-wort` -> `st johns wort`."""
    plain = unicodedata.normalize("NFKD", text.translate(SAME)).casefold()
    plain = "".join(c for c in plain if not unicodedata.combining(c))
    plain = without_thousands(plain.replace("'", "").replace("’", "").replace("`", ""))
    return " ".join(_GLUED.sub(r"\1 \2", _PUNCTUATION.sub(" ", plain)).split())


@lru_cache(maxsize=4096)
def without_accents(text: str) -> str:
    """Small letters without accents, and everything else as it stands: `Miércoles 8:00` -> `miercoles 8:00`."""
    return "".join(c for c in unicodedata.normalize("NFD", text.casefold()) if not unicodedata.combining(c))


def without_thousands(text: str) -> str:
    """`1,000 mg` -> `1000 mg`."""
    return _THOUSANDS.sub("", text)
