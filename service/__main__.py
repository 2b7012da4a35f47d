"""``python -m service`` is the ``airway`` command."""

from service.cli import main

main()
