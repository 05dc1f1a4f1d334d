"""The monthly pack: a view of plain values, and the page made from it."""
