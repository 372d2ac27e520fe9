"""From a photo to a lace record. The only place that crosses from pixels to millimetres."""
