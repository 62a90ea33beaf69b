"""The links by which an instrument can be reached: TCP socket, HiSLIP, serial line."""
