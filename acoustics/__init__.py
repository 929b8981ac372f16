"""Plan and simulate hydrophone arrays that locate an acoustic pinger."""
