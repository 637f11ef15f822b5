"""cmkit: fluid-sample condition monitoring for mobile-equipment fleets."""
