"""What the dashboard writes: logs taken in, runs put right, words; every way in is in `routes`."""
