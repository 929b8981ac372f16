"""What the water does to a ping: direct arrivals and echoes."""
