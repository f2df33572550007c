"""`python -m recon` is the command line."""

import sys

from recon.cli import main

sys.exit(main())
