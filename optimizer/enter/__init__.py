"""Live entry: which reading comes next, what is asked, and what is said of the answer."""
