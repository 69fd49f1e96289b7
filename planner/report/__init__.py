"""What people see: one view-model for terminal, page and print, and the JSON result."""
