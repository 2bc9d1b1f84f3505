"""The commands, a module each: arguments in, text out. Thin."""
