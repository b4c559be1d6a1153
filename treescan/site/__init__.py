"""What stands around the tree, who works there and with what: the site file."""
