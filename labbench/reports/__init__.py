"""Say to people what was found: words, plots, the page for a specimen."""
