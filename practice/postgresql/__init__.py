"""Django's PostgreSQL backend, and a limit to how long a server may stay silent (`base`)."""
