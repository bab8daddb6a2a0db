"""What a survey says must not contradict itself, and what is hard to believe."""
