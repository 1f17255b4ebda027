"""The process `belt-survey`."""
