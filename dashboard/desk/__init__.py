"""Everything that the dashboard writes: new logs, corrections of runs, texts; all of its routes are in `routes`."""
