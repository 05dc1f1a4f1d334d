"""Names of the files of a pack and of places inside them: plain letters, different for different keys."""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Iterable

#: folder of the vehicles' pages
VEHICLES = "vehicles"

#: names that one system or another keeps for itself
_TAKEN = re.compile(r"(?i)(con|prn|aux|nul|com\d|lpt\d)$")

_LONGEST = 60


def anchor(key: str, lead: str = "v") -> str:
    """Return the id of a place inside a page, of plain letters and digits, different for different keys."""
    plain = "".join(sign if sign.isascii() and sign.isalnum() else f"-{ord(sign):x}-" for sign in key)
    return f"{lead}-{plain}"


def page_names(keys: Iterable[str]) -> dict[str, str]:
    """Return the path of each vehicle's page below the pack's folder, "vehicles/V12.html".

    A key that is no plain name, or that a system which does not tell capitals apart would take for another one's,
    carries a few signs of its digest, so that its page keeps its name from month to month as far as can be.
    """
    names = {key: re.sub(r"[^A-Za-z0-9_-]+", "-", key).strip("-")[:_LONGEST] for key in dict.fromkeys(keys)}
    alike = Counter(name.lower() for name in names.values())
    made = {}
    for key, name in names.items():
        if not name or name != key or alike[name.lower()] > 1 or _TAKEN.match(name):
            digest = hashlib.sha256(key.encode("utf-8", "surrogatepass")).hexdigest()[:10]
            name = f"{name}-{digest}" if name else digest
        made[key] = f"{VEHICLES}/{name}.html"
    return made
