"""The order of work: the only code that joins the store with the analysis."""
