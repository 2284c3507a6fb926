"""One module, one command; the module offers it as ``command``."""
