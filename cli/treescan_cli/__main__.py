"""``python -m treescan_cli``."""

import sys

from treescan_cli.main import main

sys.exit(main())
