"""Every number that the numerical rooms give for a few logs, kept: a change of one is seen and has to be meant."""
