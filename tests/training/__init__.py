"""Makes the weights of the chooser (`nearfar.merge.chooser`) from rendered brackets; needs PyTorch and an accelerator."""
