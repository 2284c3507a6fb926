"""One use case a module, shared by the command line and the survey desk."""
