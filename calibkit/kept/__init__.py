"""What is kept: files, recordings, protocols, settings, profiles. No mathematics."""
