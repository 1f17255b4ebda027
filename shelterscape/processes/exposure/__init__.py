"""The process `exposure`."""
