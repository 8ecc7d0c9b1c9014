"""The page, section by section."""
