package cli

import (
	"strings"

	"github.com/spf13/cobra"
)

// hinted is a request's field as people are told of it: with the flag of the
// command that fills it, where there is one.
func hinted(cmd *cobra.Command, field string) string {
	if cmd == nil {
		return field
	}
	path, _, _ := strings.Cut(field, "[") // a flag fills the whole item of a list
	flag := flagOf(path[strings.LastIndexByte(path, '.')+1:])
	if cmd.Flags().Lookup(flag) == nil {
		return field
	}
	return field + " (--" + flag + ")"
}

// flagOf is the flag that fills a field of this name: the name itself, but for
// those that have another one on the command line.
func flagOf(field string) string {
	switch field {
	case "build_date":
		return "built"
	case "currency_code":
		return "currency"
	case "deadline_days":
		return "deadline"
	case "display_name":
		return "name"
	case "evidence":
		return "saw"
	case "from_day":
		return "from"
	case "further_needs":
		return "also"
	case "lines":
		return "line"
	case "model_year":
		return "year"
	case "readings":
		return "reading"
	case "roles":
		return "role"
	case "supplies":
		return "supply"
	case "tax_percent":
		return "tax"
	case "time":
		return "at"
	case "to_day":
		return "to"
	default:
		return strings.ReplaceAll(field, "_", "-")
	}
}
