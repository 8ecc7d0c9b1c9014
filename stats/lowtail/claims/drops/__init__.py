"""Broke or held at a drop height: the response curve and the next drop."""
