"""The API and the page, in their own process."""
