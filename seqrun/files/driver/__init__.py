"""Driver files: the commands of an instrument's operations, its link's manners, its accuracy."""
