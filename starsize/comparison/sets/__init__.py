"""Two measured filter sets or nights against each other."""
