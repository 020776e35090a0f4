"""The core in C: texts in, arrays out. `core.h` tells what it offers, `library` is its Python side."""
