"""Weirsim: a physical simulator of one plumbed body of salt water, for demos and drills."""
