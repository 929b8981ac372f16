"""What exists: water, pool, pinger, array, recorder, noise, vehicle, stations."""
