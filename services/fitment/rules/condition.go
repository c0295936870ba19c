package rules

import "beltwright.example/services/fitment/evidence"

// undamaged: the part has no damage beside signs of deployment.
func undamaged(c *Case) Result {
	return c.proves(aDamage, evidence.No, "the part is shown to be undamaged", "the part is damaged: cut, cracked, bent, frayed, melted or corroded")
}

// unblemished: the part looks as new.
func unblemished(c *Case) Result {
	return c.proves(aCosmetic, evidence.No, "the part is shown to have no blemishes", "the part has blemishes that do not touch its function")
}
