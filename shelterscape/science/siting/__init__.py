"""Where new belts help most: candidates, what each would bring, and the best set under a budget."""
