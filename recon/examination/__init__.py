"""An MR examination: its stacks put together, on one isotropic volume to work on."""
