"""Tables, sentences, workbooks and the page: what is written for a reader."""
