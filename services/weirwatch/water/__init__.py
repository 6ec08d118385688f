"""Pure sea-water science."""
