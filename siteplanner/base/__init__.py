"""What every room uses: errors, the grid, kernels, text, colours."""
