"""From a lace and an edge to a plan, and `check`, which re-measures any plan."""
