"""Candidate lines for belts, the shelter each adds, and the best set within a budget."""
