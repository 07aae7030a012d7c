"""What is run after harvest: clean stubble, and the three covers that are compared with it."""

from __future__ import annotations

OPTIONS = ("stubble", "winter_killed", "overwinter_early", "overwinter_late")
COVERS = OPTIONS[1:]
