"""`python -m broker_bridge`."""

import sys

from broker_bridge.cli.main import main

sys.exit(main())
