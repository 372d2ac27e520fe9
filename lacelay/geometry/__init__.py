"""Pure geometry in millimetres and radians. Imports nothing of ours but errors and units."""
