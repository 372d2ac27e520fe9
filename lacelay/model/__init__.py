"""What the program knows: frozen values, validated on construction."""
