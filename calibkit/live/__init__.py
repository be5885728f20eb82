"""Gaze as it flows: publishing, smoothing, drift. Pure: times come with the data."""
