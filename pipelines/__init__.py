"""Files in, files out, and the order of work around the analysis in :mod:`wearlab`."""
