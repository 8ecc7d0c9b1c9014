"""Tables, figures, sentences and the page."""
