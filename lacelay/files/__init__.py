"""The rim: photos and patterns in, records and plans in and out."""
