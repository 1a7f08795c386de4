#!/usr/bin/env python
import os
import sys

if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")
    os.environ.setdefault("DATUMLINE_DB_STATEMENT_S", "0")  # a command may take its time, a page may not
    from django.core.exceptions import ImproperlyConfigured
    from django.core.management import execute_from_command_line

    try:
        execute_from_command_line(sys.argv)
    except ImproperlyConfigured as error:  # a setting is wrong: what, not where in the code
        if "--traceback" in sys.argv:
            raise
        sys.exit(f"A setting is wrong: {error}")
