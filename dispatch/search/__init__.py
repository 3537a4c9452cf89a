"""The compiled search: arrays and integers in, arrays and integers out."""
