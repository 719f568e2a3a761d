"""What people see, in the units they use: the same facts for the page, the terminal and the report."""
