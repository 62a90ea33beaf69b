"""Talk to instruments: transport, session, SCPI text, dialects, one file per role."""
