"""Wind sets from weather records, rose tables or plain directions."""
