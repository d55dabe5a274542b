"""The command line, pictures and pages that people look at."""
