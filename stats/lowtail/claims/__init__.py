"""One question a module, each answered by a frozen record."""
