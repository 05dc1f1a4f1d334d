"""Control charts over a series, their run lengths, gauge studies, one change in a mean."""
