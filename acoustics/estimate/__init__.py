"""What the vehicle computes: delays, bearing, position. Knows nothing of the scene or the truth."""
