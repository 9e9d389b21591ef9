"""What others wrote to judge whether a server follows a standard, run against ours."""
