"""Where new belts, or belts restored, help most for what may be spent."""
