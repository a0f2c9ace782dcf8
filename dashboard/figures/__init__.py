"""Pictures: ready values in, a plotly figure out. Nothing here asks the logbook or knows of Dash."""
