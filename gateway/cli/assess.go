package cli

import (
	"cmp"
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// readingFields are the names that --reading knows.
var readingFields = []string{
	"kind", "row", "side", "stage", "method", "ohms", "over-range", "percent", "counts", "resolution", "lead", "clip", "battery-off", "display-limit",
}

// assessFlags are what assess is given beside the vehicle.
type assessFlags struct {
	vehicleFlags

	codes, readings, tests, choices []string
	window, dialect                 string
}

func assessCommand(c *connection) *cobra.Command {
	var given assessFlags
	cmd := &cobra.Command{
		Use:   "assess",
		Short: "Weigh trouble codes, readings and tests: what is at fault, what to test next, whether to buy",
		Long: `Assess weighs codes, readings and tests. Codes are written B0058, with a failure
byte B0058-1A, or with failure and status byte B0058-1A-AF. They are read in the
dialect that --dialect names, or else in the one that the catalogue has for the
vehicle; where neither is known, a code that dialects read differently lists its
meanings, and --choice CODE=ID says which applies here.

A reading is given as NAME=VALUE pairs: kind, row, side, stage, method
(module-reported, substitute-load, meter-at-component, meter-at-harness), ohms or
over-range=yes, the meter's accuracy (percent, counts, resolution), lead, clip
(out, in, unknown), battery-off (minutes), display-limit.

A test is given as NAME=VALUE pairs too: kind, row, side, method (unplug: the part
unplugged so that the harness side's clip closes; substitute-load: a load in its
place and the codes cleared), and what the module said before and after
(open-or-high, low-or-shorted, no-code, other-code).

Service literature forbids an ohmmeter on a live squib. Prefer the module's own
values, or a substitute load on the harness side. Work by the maker's procedure.`,
		Example: `  beltwright assess --make Tarvena --model Solane --year 2006 --drive-side left --code B0058 \
    --reading kind=buckle-pretensioner,row=1,side=right,method=meter-at-component,ohms=17e6,percent=0.9,counts=2,resolution=0.1,lead=0.2,clip=out,battery-off=12
  beltwright assess --dialect legacy-a --code B0058 \
    --test kind=buckle-pretensioner,row=1,side=right,method=substitute-load,before=open-or-high,after=no-code`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			request, err := given.request()
			if err != nil {
				return err
			}
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.AssessFaultResponse, error) {
				return fitmentv1.NewFitmentServiceClient(conn).AssessFault(ctx, request)
			}, showAssessment)
		},
	}
	given.bind(cmd)
	return cmd
}

func (a *assessFlags) bind(cmd *cobra.Command) {
	a.vehicleFlags.bind(cmd)
	a.bindRead(cmd)
}

// bindRead adds the flags for what was read, without those for the vehicle.
func (a *assessFlags) bindRead(cmd *cobra.Command) {
	flags := cmd.Flags()
	flags.StringArrayVar(&a.codes, "code", nil, "trouble code, such as B0058, B0058-1A or B0058-1A-AF; may be repeated")
	flags.StringArrayVar(&a.readings, "reading", nil, "reading as NAME=VALUE pairs; may be repeated")
	flags.StringArrayVar(&a.tests, "test", nil, "test of a loop as NAME=VALUE pairs; may be repeated")
	flags.StringArrayVar(&a.choices, "choice", nil, "what a code means here: CODE=ID, with an id from the answer's list")
	flags.StringVar(&a.dialect, "dialect", "", "dialect that the codes are in: standard, legacy-a, …")
	flags.StringVar(&a.window, "window", "", "resistance window of the vehicle's service data: low=1.4,high=3.2,source=…")
}

func (a *assessFlags) request() (*fitmentv1.AssessFaultRequest, error) {
	v, err := a.vehicle()
	if err != nil {
		return nil, err
	}
	request := &fitmentv1.AssessFaultRequest{Vehicle: v, Codes: a.codes, Dialect: a.dialect}
	for _, text := range a.tests {
		test, err := parseTest(text)
		if err != nil {
			return nil, err
		}
		request.Tests = append(request.Tests, test)
	}
	for _, text := range a.readings {
		reading, err := parseReading(text)
		if err != nil {
			return nil, err
		}
		request.Readings = append(request.Readings, reading)
	}
	for _, text := range a.choices {
		code, id, ok := strings.Cut(text, "=")
		if !ok {
			return nil, usageError{fmt.Errorf("--choice: %q is not understood; expected CODE=ID", text)}
		}
		request.CodeChoices = append(request.CodeChoices, &fitmentv1.CodeChoice{Code: code, Meaning: id})
	}
	request.Window, err = parseWindow(a.window)
	return request, err
}

func parseWindow(text string) (*fitmentv1.ResistanceWindow, error) {
	if text == "" {
		return nil, nil //nolint:nilnil // absent is a valid answer
	}
	values, err := pairs("--window", text, "low", "high", "source")
	if err != nil {
		return nil, err
	}
	low, err := number("--window", values, "low")
	if err != nil {
		return nil, err
	}
	high, err := number("--window", values, "high")
	if err != nil {
		return nil, err
	}
	if low == nil || high == nil {
		return nil, usageError{fmt.Errorf("--window: %q lacks low or high", text)}
	}
	return &fitmentv1.ResistanceWindow{LowOhms: *low, HighOhms: *high, Source: values["source"]}, nil
}

func parseReading(text string) (*fitmentv1.Reading, error) {
	values, err := pairs("--reading", text, readingFields...)
	if err != nil {
		return nil, err
	}
	reading := &fitmentv1.Reading{Position: &fitmentv1.Position{}}
	if reading.OverRange, err = yesNo("--reading", values, "over-range"); err != nil {
		return nil, err
	}
	if reading.Position.Row, err = whole("--reading", values, "row"); err != nil {
		return nil, err
	}
	if reading.Stage, err = whole("--reading", values, "stage"); err != nil {
		return nil, err
	}
	if err := readingEnums(reading, values); err != nil {
		return nil, err
	}
	numbers := map[string]*float64{}
	for _, name := range []string{"ohms", "percent", "counts", "resolution", "lead", "battery-off", "display-limit"} {
		if numbers[name], err = number("--reading", values, name); err != nil {
			return nil, err
		}
	}
	reading.Ohms, reading.LeadOhms = numbers["ohms"], numbers["lead"]
	reading.BatteryOffMinutes, reading.DisplayLimitOhms = numbers["battery-off"], numbers["display-limit"]
	percent, counts, resolution := numbers["percent"], numbers["counts"], numbers["resolution"]
	if percent != nil || counts != nil || resolution != nil {
		reading.Meter = &fitmentv1.Meter{PercentOfReading: zero(percent), Counts: zero(counts), ResolutionOhms: zero(resolution)}
	}
	return reading, nil
}

// readingEnums fills in what a reading says in words.
func readingEnums(reading *fitmentv1.Reading, values map[string]string) error {
	kind, err := enum("--reading kind", values["kind"], fitmentv1.Part_KIND_UNSPECIFIED)
	if err != nil {
		return err
	}
	side, err := enum("--reading side", values["side"], fitmentv1.Position_SIDE_UNSPECIFIED)
	if err != nil {
		return err
	}
	method, err := enum("--reading method", values["method"], fitmentv1.Reading_METHOD_UNSPECIFIED)
	if err != nil {
		return err
	}
	clip, err := enum("--reading clip", values["clip"], fitmentv1.Reading_CLIP_UNSPECIFIED)
	if err != nil {
		return err
	}
	reading.Kind, reading.Position.Side = fitmentv1.Part_Kind(kind), fitmentv1.Position_Side(side)
	reading.Method, reading.ShortingClip = fitmentv1.Reading_Method(method), fitmentv1.Reading_Clip(clip)
	return nil
}

// parseTest reads a test of a loop.
func parseTest(text string) (*fitmentv1.LoopTest, error) {
	const flag = "--test"
	values, err := pairs(flag, text, "kind", "row", "side", "method", "before", "after")
	if err != nil {
		return nil, err
	}
	kind, kindErr := enum(flag+" kind", values["kind"], fitmentv1.Part_KIND_UNSPECIFIED)
	side, sideErr := enum(flag+" side", values["side"], fitmentv1.Position_SIDE_UNSPECIFIED)
	row, rowErr := whole(flag, values, "row")
	method, methodErr := enum(flag+" method", values["method"], fitmentv1.LoopTest_METHOD_UNSPECIFIED)
	before, beforeErr := enum(flag+" before", values["before"], fitmentv1.LoopTest_STATE_UNSPECIFIED)
	after, afterErr := enum(flag+" after", values["after"], fitmentv1.LoopTest_STATE_UNSPECIFIED)
	if err := cmp.Or(kindErr, sideErr, rowErr, methodErr, beforeErr, afterErr); err != nil {
		return nil, err
	}
	return &fitmentv1.LoopTest{
		Kind: fitmentv1.Part_Kind(kind), Position: &fitmentv1.Position{Row: row, Side: fitmentv1.Position_Side(side)},
		Method: fitmentv1.LoopTest_Method(method), Before: fitmentv1.LoopTest_State(before), After: fitmentv1.LoopTest_State(after),
	}, nil
}

func zero(value *float64) float64 {
	if value == nil {
		return 0
	}
	return *value
}

func showAssessment(p *printer, answer *fitmentv1.AssessFaultResponse) {
	if answer.GetDialect() != "" {
		p.linef("codes are read in the dialect %s", answer.GetDialect())
	}
	for _, code := range answer.GetCodes() {
		showCode(p, code)
	}
	for _, r := range answer.GetReadings() {
		p.linef("reading of %s %s: %s%s", words(r.GetKind()), place(r.GetPosition()), words(r.GetClass()), figures(r))
		p.linef("  %s", r.GetReason())
		p.linef("  The window is from: %s.", r.GetWindow().GetSource())
	}
	for _, t := range answer.GetTests() {
		p.linef("test %d shows: %s", t.GetIndex()+1, words(t.GetFinding()))
		p.linef("  %s [%s]", t.GetReason(), t.GetSource())
	}
	rows := make([][]string, 0, len(answer.GetSuspects()))
	for _, s := range answer.GetSuspects() {
		where := ""
		if s.GetKind() != fitmentv1.Part_KIND_UNSPECIFIED {
			where = words(s.GetKind()) + " " + place(s.GetPosition())
		}
		rows = append(rows, []string{fmt.Sprintf("%5.1f %%", s.GetProbability()*100), words(s.GetComponent()), where, s.GetReason()})
	}
	p.table([]string{"chance", "suspect", "loop", "why"}, rows)
	p.linef("buying is %s: %s", words(answer.GetPurchase()), answer.GetPurchaseReason())
	if next := answer.GetNextTest(); next != nil {
		p.linef("to learn more, the test most worth making: %s (%.0f minutes, %.2f bits expected)", next.GetText(), next.GetMinutes(), next.GetExpectedBits())
	}
	p.list("cautions", answer.GetCautions())
	if answer.GetLikelihoods() != "" {
		p.linef("likelihoods of %s", answer.GetLikelihoods())
	}
}

func showCode(p *printer, code *fitmentv1.CodeReport) {
	p.linef("code %s (%s)", code.GetCode(), code.GetHex())
	for _, m := range code.GetMeanings() {
		mark := " "
		if m.GetId() == code.GetApplied() {
			mark = "*"
		}
		p.linef("  %s %s: %s [%s]", mark, m.GetId(), m.GetText(), m.GetDialect())
	}
	if code.GetFailure() != "" {
		p.linef("  failure byte: %s", code.GetFailure())
	}
	if len(code.GetStatus()) > 0 {
		p.linef("  status: %s", strings.Join(code.GetStatus(), ", "))
	}
	if code.GetNote() != "" {
		p.linef("  %s", code.GetNote())
	}
}

func figures(r *fitmentv1.ReadingReport) string {
	if r.CorrectedOhms == nil {
		return ""
	}
	return fmt.Sprintf(", %.4g Ω ± %.2g Ω (standard uncertainty), window %g to %g Ω, conformance probability %.3f",
		r.GetCorrectedOhms(), r.GetStandardUncertaintyOhms(), r.GetWindow().GetLowOhms(), r.GetWindow().GetHighOhms(), r.GetConformanceProbability())
}
