"""The commands: each parses, makes one call into the package, and shows the answer."""
