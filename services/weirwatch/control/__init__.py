"""The control socket between core, web and command line."""
