"""What the survey desk asks for, and its server."""
