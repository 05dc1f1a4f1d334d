"""When a part will cross its limit: on exposure, odometer and calendar, and as one word for its state."""
