"""Lay straight scalloped lace along curved garment edges, planned from a photo of the lace."""

__version__ = "0.1.0"
