"""Charts as SVG text: matplotlib figures without global state, the same bytes for the same input."""
