"""The dashboard: shows what `telemetry` computed, and computes nothing. Start at `app.create_app`."""
