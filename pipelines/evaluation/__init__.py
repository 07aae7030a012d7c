"""Compare the model with published trials, and rebuild the evaluation page."""
