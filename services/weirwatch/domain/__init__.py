"""The alarm engine and its words: pure, no clock, no I/O."""
