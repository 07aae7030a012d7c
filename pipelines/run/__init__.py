"""The run: from inputs to a rated study."""
