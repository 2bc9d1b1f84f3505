"""The soak test: the order, what it requires, what was measured, and the verdict by a stated decision rule. Pure."""
