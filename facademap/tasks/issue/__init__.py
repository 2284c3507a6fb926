"""What is handed out: the condition map and the papers."""
