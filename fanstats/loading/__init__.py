"""Tables, workbooks and bench files in: what was read, with every complaint about it."""
