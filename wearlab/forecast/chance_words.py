"""Chances in plain words: "3 in 10"; a small one as "1 in 20", never with more figures than it deserves."""

from __future__ import annotations

from wearlab.language import _, msg

# the largest chance told by each of these words; below a half, above it the same of the other side
_SMALL = (
    (0.005, msg("under 1 in 100")),
    (0.014, msg("1 in 100")),
    (0.032, msg("1 in 50")),
    (0.07, msg("1 in 20")),
)
_LARGE = (
    (0.93, ""),
    (0.968, msg("19 in 20")),
    (0.986, msg("49 in 50")),
    (0.995, msg("99 in 100")),
)


def chance_words(chance: float) -> str:
    """Return a chance between 0 and 1 in words; a larger one never gets words of a smaller one."""
    for most, words in _SMALL:
        if chance < most:
            return _(words)
    if chance < _LARGE[0][0]:
        return _("{n} in 10", n=min(max(round(10 * chance), 1), 9))
    for most, words in _LARGE[1:]:
        if chance < most:
            return _(words)
    return _("over 99 in 100")
