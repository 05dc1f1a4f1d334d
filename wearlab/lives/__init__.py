"""Lives of parts and vehicles: which part a test measured, how far a vehicle went, and goes a day."""
