"""Judging what was measured without a model: one test, one set, the user's own limits."""
