#!/usr/bin/env python
"""Entry point of the commands: ``python manage.py help`` lists them."""

from __future__ import annotations

import sys

from django.core.management import execute_from_command_line

from core.environment import choose_settings


def main() -> None:
    """Run the command named on the command line."""
    choose_settings()
    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
