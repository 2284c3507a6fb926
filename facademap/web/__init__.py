"""The survey desk: a local web application over one project."""
