"""One module a page family, its templates beside it under the same name."""
