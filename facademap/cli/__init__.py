"""The command line: parse, call one task, show."""
