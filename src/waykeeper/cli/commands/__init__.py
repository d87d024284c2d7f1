"""One module a command, imported when it is called; the function that bears the command's name is the command."""
