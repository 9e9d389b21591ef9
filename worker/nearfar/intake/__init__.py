"""What arrives: folders of files, told apart from what is not a frame."""
