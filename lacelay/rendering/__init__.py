"""Rendered lace photos whose truth is known, for samples and tests."""
