"""Chances in plain words: "3 in 10"; a small one as "1 in 20", never with more figures than it deserves."""

from __future__ import annotations

# the largest chance told by each of these words; below a half, above it the same of the other side
_SMALL = (
    (0.005, "under 1 in 100"),
    (0.014, "1 in 100"),
    (0.032, "1 in 50"),
    (0.07, "1 in 20"),
)
_LARGE = (
    (0.93, ""),
    (0.968, "19 in 20"),
    (0.986, "49 in 50"),
    (0.995, "99 in 100"),
)


def chance_words(chance: float) -> str:
    """Return a chance between 0 and 1 in words; a larger one never gets words of a smaller one."""
    for most, words in _SMALL:
        if chance < most:
            return words
    if chance < _LARGE[0][0]:
        return f"{min(max(round(10 * chance), 1), 9)} in 10"
    for most, words in _LARGE[1:]:
        if chance < most:
            return words
    return "over 99 in 100"
