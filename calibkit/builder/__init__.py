"""What calibkit adds to PsychoPy's Builder, loaded by it in every run: kept light."""
