"""The marking page: an HTTP API over the same functions as the command line, and static files."""
