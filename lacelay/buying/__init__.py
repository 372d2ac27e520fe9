"""From a plan to what to buy."""
