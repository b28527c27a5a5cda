"""Which shims to buy, so that the settings that may be asked for can be made."""
