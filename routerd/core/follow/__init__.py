"""Another device leads the clock. Imports `clock` and what lies below it, and the input of that device."""
