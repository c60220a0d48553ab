"""What is made of a recogniser's answer before the dialogue believes it."""
