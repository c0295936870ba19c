package check

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
)

// Finding is a known vulnerability in what the programs are made of.
type Finding struct {
	// ID is the entry of the Go vulnerability database (GO-2026-1234).
	ID string
	// Module is where it is, Version what is used and Fixed what mends it; empty where
	// nothing does.
	Module, Version, Fixed string
	// Reach is how much of it is used: "called", "imported" or "required".
	Reach string
}

// String is the finding in a line.
func (f Finding) String() string {
	mended := "nothing mends it yet"
	if f.Fixed != "" {
		mended = "mended in " + f.Fixed
	}
	return fmt.Sprintf("%s in %s %s, %s; %s", f.ID, f.Module, f.Version, f.Reach, mended)
}

// OfGo tells whether the finding is in Go itself: its standard library or tools. A new
// Go mends it, and no change of ours.
func (f Finding) OfGo() bool { return f.Module == "stdlib" || f.Module == "toolchain" }

// message is what govulncheck writes with -format json, as far as it is used here: a
// stream of objects, each with one of these.
type message struct {
	Config *struct {
		ScanLevel string `json:"scan_level"`
	} `json:"config"`
	Finding *struct {
		OSV   string `json:"osv"`
		Fixed string `json:"fixed_version"`
		Trace []struct {
			Module   string `json:"module"`
			Version  string `json:"version"`
			Package  string `json:"package"`
			Function string `json:"function"`
		} `json:"trace"`
	} `json:"finding"`
	SBOM *struct {
		Roots []string `json:"roots"`
	} `json:"SBOM"`
}

// errNoScan means that nothing was scanned: an empty answer must not pass for a clean
// one.
var errNoScan = errors.New("this is no whole answer of govulncheck: it names nothing that was scanned")

// reaches are from the least to the most.
var reaches = []string{"required", "imported", "called"}

// Findings reads an answer of govulncheck: each vulnerability of a module once, at its
// furthest reach, in order.
func Findings(r io.Reader) ([]Finding, error) {
	found := map[string]Finding{}
	scanned := false
	for decoder := json.NewDecoder(r); ; {
		var m message
		err := decoder.Decode(&m)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("read govulncheck's answer: %w", err)
		}
		scanned = scanned || (m.SBOM != nil && len(m.SBOM.Roots) > 0)
		if m.Finding == nil || len(m.Finding.Trace) == 0 {
			continue
		}
		at := m.Finding.Trace[0]
		f := Finding{ID: m.Finding.OSV, Module: at.Module, Version: at.Version, Fixed: m.Finding.Fixed, Reach: "required"}
		switch {
		case at.Function != "":
			f.Reach = "called"
		case at.Package != "":
			f.Reach = "imported"
		}
		key := f.ID + " " + f.Module
		if old, ok := found[key]; !ok || slices.Index(reaches, f.Reach) > slices.Index(reaches, old.Reach) {
			found[key] = f
		}
	}
	if !scanned {
		return nil, errNoScan
	}
	list := make([]Finding, 0, len(found))
	for _, f := range found {
		list = append(list, f)
	}
	slices.SortFunc(list, func(a, b Finding) int { return strings.Compare(a.Module+" "+a.ID, b.Module+" "+b.ID) })
	return list, nil
}

// Blocking are the findings that must not be shipped: in a module, of which another
// version can be taken or which can be left out, however little of it is used. Those
// in Go itself are for whoever builds to see.
func Blocking(list []Finding) []Finding {
	return slices.DeleteFunc(slices.Clone(list), Finding.OfGo)
}
