"""One module for each command of the command line; each offers ``command``, a click command."""
