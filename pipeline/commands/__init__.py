"""Commands that are more than a call of `run`: their options, and what they say on the screen."""
