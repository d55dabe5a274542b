"""What runs on the workstation, without torch: see -> judge -> keep -> show."""
