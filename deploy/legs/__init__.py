"""`sh deploy/test`: every test over each engine, broker and browser, and which of them ran."""
