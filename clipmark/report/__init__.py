"""What is handed out: charts of what was measured."""
