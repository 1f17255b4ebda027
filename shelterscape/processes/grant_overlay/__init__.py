"""What grants would pay for belts."""
