"""Tables as blocks, text and rows."""
