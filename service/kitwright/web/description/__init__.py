"""Description: the API told to programs and people."""
