"""What people and programs talk to over HTTP."""
