"""Make a project, check it, and the demo."""
