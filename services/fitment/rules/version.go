package rules

// Version names the rules, and changes whenever some question is answered
// otherwise than before: a day and a number within it.
const Version = "2026-11-25.10"
