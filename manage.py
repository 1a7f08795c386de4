#!/usr/bin/env python
import os
import sys

if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")
    os.environ.setdefault("DATUMLINE_DB_STATEMENT_S", "0")  # a command may take its time, a page may not
    from django.core.management import execute_from_command_line

    try:
        execute_from_command_line(sys.argv)
    except Exception as error:
        from deploy.in_words import in_words

        if "--traceback" in sys.argv or not (said := in_words(error)):
            raise
        sys.exit(said)
