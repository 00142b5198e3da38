"""From work to what a fit needs: changes, ten-second bins, design matrices."""
