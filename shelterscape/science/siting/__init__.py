"""Where new or mended belts help most: candidates, what stands against them, benefit, choice."""
