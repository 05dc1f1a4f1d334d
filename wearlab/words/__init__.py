"""What wearlab says: the catalogue of its sentences and one file for every other language."""
