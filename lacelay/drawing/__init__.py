"""Pictures and sheets made from one scene in millimetres."""
