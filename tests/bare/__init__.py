"""A machine with nothing but Debian on it, booted: what deploy/install makes of one (`tests/bare-machine`)."""
