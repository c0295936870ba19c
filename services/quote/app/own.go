package app

import (
	"errors"
	"fmt"
	"os"

	"beltwright.example/services/quote/tax"
)

// taxPacks are the program's tax packs with the deployment's. A folder without packs
// is an error: whoever names one expects its rules to count.
func taxPacks(folder string) (*tax.Set, error) {
	if folder == "" {
		return tax.Builtin(), nil
	}
	packs, err := tax.Load(os.DirFS(folder))
	if err == nil && len(packs) == 0 {
		err = errors.New("there is no pack; expected files that end in .json")
	}
	var set *tax.Set
	if err == nil {
		set, err = tax.Builtin().With(packs...)
	}
	if err != nil {
		return nil, fmt.Errorf("tax packs in %s: %w", folder, err)
	}
	return set, nil
}
