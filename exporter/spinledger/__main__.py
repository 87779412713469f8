"""`python -m spinledger`."""

import sys

from spinledger.cli import main

sys.exit(main())
