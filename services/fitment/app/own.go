package app

import (
	"errors"
	"fmt"
	"os"

	"beltwright.example/services/fitment/fault"
	"beltwright.example/services/fitment/jurisdiction"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/fitment/server"
)

// Own are the files that a deployment brings in place of those of the program.
type Own struct {
	// Packs is a folder of jurisdiction packs, which replace those of the same
	// places or come on top; "" for none.
	Packs string
	// Likelihoods is a file of likelihoods that faults are assessed by; "" for the
	// program's.
	Likelihoods string
}

// options are what follows from the files for the server.
func (o Own) options() (server.Options, error) {
	policy, err := o.policy()
	if err != nil {
		return server.Options{}, err
	}
	likelihoods, err := o.likelihoods()
	return server.Options{Policy: &policy, Likelihoods: likelihoods}, err
}

// policy is the rules' policy with the deployment's packs. A folder without packs is
// an error: whoever names one expects its law to count.
func (o Own) policy() (rules.Policy, error) {
	policy := rules.DefaultPolicy()
	if o.Packs == "" {
		return policy, nil
	}
	packs, err := jurisdiction.Load(os.DirFS(o.Packs))
	if err == nil && len(packs) == 0 {
		err = errors.New("there is no pack; expected files that end in .json")
	}
	if err == nil {
		policy.Packs, err = jurisdiction.Builtin().With(packs...)
	}
	if err != nil {
		return rules.Policy{}, fmt.Errorf("packs in %s: %w", o.Packs, err)
	}
	return policy, nil
}

// likelihoods are the deployment's, or nil.
func (o Own) likelihoods() (*fault.Model, error) {
	if o.Likelihoods == "" {
		return nil, nil //nolint:nilnil // none of its own is a valid answer
	}
	file, err := os.Open(o.Likelihoods)
	if err != nil {
		return nil, fmt.Errorf("open the likelihoods: %w", err)
	}
	model, err := fault.LoadModel(file)
	if err = errors.Join(err, file.Close()); err != nil {
		return nil, fmt.Errorf("%s: %w", o.Likelihoods, err)
	}
	return &model, nil
}
