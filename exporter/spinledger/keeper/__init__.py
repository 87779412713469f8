"""Facts into books, books into views. Pure."""
