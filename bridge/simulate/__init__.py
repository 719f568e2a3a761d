"""Years of a garden in virtual time: the real station against the rig, judged by the rig's truth."""
