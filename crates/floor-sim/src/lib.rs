//! Larkholm Dairy, simulated: invented cheese, invented people, realistic mistakes.
