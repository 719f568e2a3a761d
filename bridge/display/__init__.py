"""The facts that people see, in their own units: the same for the page, the terminal and the report."""
