"""The page one turns knobs on: what was changed -> what is redone -> what is shown."""
