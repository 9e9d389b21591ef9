"""The server's HTTP side: the API for programs, and the pages for people."""
