"""The command line with enumerations that save after every task, so that kills meet many states.

As the product does it, a small enumeration saves once or twice.
"""

from __future__ import annotations

from optimize.cli import main
from optimize.exact import driver

if __name__ == "__main__":  # worker processes import this file too
    driver.SAVE_EVERY_S = 0.0
    main(prog_name="crankfront")
