"""Whether more time still helps: the noise of parts of the subs against all of them, and crops to judge by eye."""
