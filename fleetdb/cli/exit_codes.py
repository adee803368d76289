"""What the ``fleetdb`` command ends with, besides 0 for all done."""

EXIT_ERROR = 1
EXIT_USAGE = 2
EXIT_SOME_REFUSED = 3
EXIT_INTERRUPTED = 130
