"""Who is told: who, when and in which words. Start with plan.py; the words stand in templates/."""
