"""Sheets of workshops and fleets: files in, text rows with true row numbers out."""
