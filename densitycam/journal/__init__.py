"""SQLite: vessels, photos and their readings, slides, splits, calibrations."""
