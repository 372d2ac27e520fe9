"""What she put right, laid over a reading: lace record in, lace record out."""
