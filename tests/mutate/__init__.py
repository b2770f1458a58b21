"""Would the tests notice? One small fault put into a copy of the code at a time: see __main__."""
