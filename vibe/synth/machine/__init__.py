"""How a drive moves and what that puts into its housing: angles, forces, impacts."""
