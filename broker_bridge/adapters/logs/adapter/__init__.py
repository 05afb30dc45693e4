"""The only part that touches files: mapping files, drop folders, archived bytes."""
