"""The after-action review of a finished exercise or incident: what the log says, without blame."""
