package cli

import (
	"cmp"
	"context"
	"fmt"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/quote/repair"
	"beltwright.example/services/quote/working"
)

func repairCommand(c *connection) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "repair",
		Short: "Keep a repair order from complaint to proof of repair",
		Long: `Repair keeps the record of one repair: complaint, diagnosis, quote, purchase, arrival
inspection, fitting, disposal of the old part, proof and closing. Each step says what it
needs and is refused where that is missing; "repair show" says what comes next. An order
is closed only with proof that the repair worked, or given up with a reason.`,
		Example: `  beltwright repair open --make Tarvena --model Solane --year 2006 --complaint "The restraint lamp stays on."
  beltwright repair show repairOrders/R-2026-000001`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(
		repairOpen(c), repairList(c), repairShow(c), repairDiagnose(c), repairQuote(c), repairOrder(c), repairInspect(c), repairBuyNext(c),
		repairSettle(c), repairFit(c), repairDispose(c), repairProve(c), repairClose(c), repairAbandon(c), repairPrint(c),
	)
	return cmd
}

func repairOpen(c *connection) *cobra.Command {
	var vehicle vehicleFlags
	var customer, complaint string
	cmd := &cobra.Command{
		Use: "open", Short: "Open a repair order with the complaint", Long: "Open starts a repair order: the vehicle, whose it is, and what is complained of.",
		Example: `  beltwright repair open --make Tarvena --model Solane --year 2006 --drive-side left --body saloon \
    --customer C-1 --complaint "The restraint lamp stays on."`,
		Args: noArguments,
	}
	id := bindRequestID(cmd)
	vehicle.bind(cmd)
	cmd.Flags().StringVar(&customer, "customer", "", "your own name or number for the customer")
	cmd.Flags().StringVar(&complaint, "complaint", "", "what the customer complains of")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		v, err := vehicle.vehicle()
		if err != nil {
			return err
		}
		request := &quotev1.CreateRepairOrderRequest{Vehicle: v, Customer: customer, Complaint: complaint, RequestId: id.text()}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.CreateRepairOrderResponse, error) {
			return quotev1.NewRepairServiceClient(conn).CreateRepairOrder(ctx, request)
		}, func(p *printer, answer *quotev1.CreateRepairOrderResponse) { showRepair(p, answer.GetRepairOrder()) })
	}
	return cmd
}

func repairList(c *connection) *cobra.Command {
	var request quotev1.ListRepairOrdersRequest
	var state string
	cmd := &cobra.Command{
		Use: "list", Short: "List your repair orders", Long: "List shows your repair orders in the order of their numbers.",
		Example: "  beltwright repair list --state to-buy-next",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			wanted, err := enum("--state", state, quotev1.RepairOrder_STATE_UNSPECIFIED)
			if err != nil {
				return err
			}
			request.State = quotev1.RepairOrder_State(wanted)
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.ListRepairOrdersResponse, error) {
				return quotev1.NewRepairServiceClient(conn).ListRepairOrders(ctx, &request)
			}, showRepairs)
		},
	}
	bindPage(cmd, &request.PageSize, &request.PageToken)
	cmd.Flags().StringVar(&state, "state", "", "only orders in this state: received, diagnosed, quoted, ordered, to-buy-next, …")
	return cmd
}

func repairShow(c *connection) *cobra.Command {
	var why bool
	cmd := &cobra.Command{
		Use: "show ORDER", Short: "Show one repair order",
		Long:    "Show shows a repair order: its parts with the checks that are due on arrival, its steps, and what comes next.",
		Example: "  beltwright repair show repairOrders/R-2026-000001\n  beltwright repair show repairOrders/R-2026-000001 --why",
		Args:    arguments("ORDER"),
		RunE: func(cmd *cobra.Command, args []string) error {
			var refunds []*quotev1.Working
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.GetRepairOrderResponse, error) {
				answer, err := quotev1.NewRepairServiceClient(conn).GetRepairOrder(ctx, &quotev1.GetRepairOrderRequest{Name: args[0]})
				if err == nil && why {
					refunds, err = refundWorkings(ctx, conn, answer.GetRepairOrder())
				}
				return answer, err
			}, func(p *printer, answer *quotev1.GetRepairOrderResponse) {
				showRepair(p, answer.GetRepairOrder())
				showWorkings(p, "the order", refunds)
			})
		},
	}
	cmd.Flags().BoolVar(&why, "why", false, "say how each number came about")
	return cmd
}

// refundWorkings says how the refunds that are due on an order came about, by the
// quotes that its parts were bought on.
func refundWorkings(ctx context.Context, conn grpc.ClientConnInterface, order *quotev1.RepairOrder) ([]*quotev1.Working, error) {
	options := make(map[string]*quotev1.Option)
	for _, s := range order.GetSteps() {
		if s.GetOrder() == nil {
			continue
		}
		answer, err := quotev1.NewQuoteServiceClient(conn).GetQuote(ctx, &quotev1.GetQuoteRequest{Name: s.GetOrder().GetQuote()})
		if err != nil {
			return nil, err
		}
		for _, option := range quote.AllOptions(answer.GetQuote()) {
			options[option.GetSource()] = option
		}
	}
	var steps []working.Step
	for _, p := range order.GetPurchases() {
		option := options[p.GetSource()]
		if option == nil || repair.Refund(option) != p.GetRefundDue() || p.GetState() == quotev1.Purchase_NEXT {
			continue
		}
		if p.GetState() == quotev1.Purchase_RETURNING || p.GetState() == quotev1.Purchase_RETURNED {
			one := repair.RefundWorking(option, p.GetCurrencyCode())
			one.Number += " for " + p.GetSource()
			steps = append(steps, one)
		}
	}
	return quote.WorkingProtos(steps), nil
}

// stepFlags are what every step is given.
type stepFlags struct {
	by, etag string
	id       *requestID
}

func bindStep(cmd *cobra.Command) *stepFlags {
	f := &stepFlags{id: bindRequestID(cmd)}
	cmd.Flags().StringVar(&f.by, "by", "", "who did the work")
	cmd.Flags().StringVar(&f.etag, "etag", "", "etag of the order as last read, so that nothing is recorded unseen (default it is read first)")
	return f
}

// record records a step, which build makes out of the order as it is.
func (f *stepFlags) record(c *connection, cmd *cobra.Command, name string, build func(order *quotev1.RepairOrder) (*quotev1.RepairStep, error)) error {
	return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.RecordRepairStepResponse, error) {
		client := quotev1.NewRepairServiceClient(conn)
		read, err := client.GetRepairOrder(ctx, &quotev1.GetRepairOrderRequest{Name: name})
		if err != nil {
			return nil, err
		}
		step, err := build(read.GetRepairOrder())
		if err != nil {
			return nil, err
		}
		step.By = f.by
		etag := cmp.Or(f.etag, read.GetRepairOrder().GetEtag())
		return client.RecordRepairStep(ctx, &quotev1.RecordRepairStepRequest{Name: name, Etag: etag, Step: step, RequestId: f.id.text()})
	}, func(p *printer, answer *quotev1.RecordRepairStepResponse) { showRepair(p, answer.GetRepairOrder()) })
}

// step makes a command that records one step of the order that it names first.
func step(c *connection, cmd *cobra.Command, build func(order *quotev1.RepairOrder, args []string) (*quotev1.RepairStep, error)) *cobra.Command {
	f := bindStep(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		return f.record(c, cmd, args[0], func(order *quotev1.RepairOrder) (*quotev1.RepairStep, error) { return build(order, args[1:]) })
	}
	return cmd
}

// parsePart reads kind and position as NAME=VALUE pairs out of a flag's text.
func parsePart(flag string, values map[string]string) (fitmentv1.Part_Kind, *fitmentv1.Position, error) {
	kind, kindErr := enum(flag+" kind", values["kind"], fitmentv1.Part_KIND_UNSPECIFIED)
	side, sideErr := enum(flag+" side", values["side"], fitmentv1.Position_SIDE_UNSPECIFIED)
	row, rowErr := whole(flag, values, "row")
	if err := cmp.Or(kindErr, sideErr, rowErr); err != nil {
		return 0, nil, err
	}
	if row == 0 && side == 0 {
		return fitmentv1.Part_Kind(kind), nil, nil
	}
	return fitmentv1.Part_Kind(kind), &fitmentv1.Position{Row: row, Side: fitmentv1.Position_Side(side)}, nil
}

func repairDiagnose(c *connection) *cobra.Command {
	var read assessFlags
	var needs []string
	var reason, jurisdiction, number, maker string
	cmd := &cobra.Command{
		Use: "diagnose ORDER", Short: "Record what was read and what the vehicle lacks",
		Long: `Diagnose records codes, readings and tests (as "assess" takes them) with what follows
from them, and what the vehicle lacks. A part that they do not prove to be at fault takes
a reason; so does every part where nothing was read.`,
		Example: `  beltwright repair diagnose repairOrders/R-2026-000001 --by Kim --code B0058 \
    --reading kind=buckle-pretensioner,row=1,side=right,method=module-reported,over-range=yes \
    --test kind=buckle-pretensioner,row=1,side=right,method=substitute-load,before=open-or-high,after=no-code \
    --lacks kind=buckle-pretensioner,row=1,side=right --jurisdiction US-WA \
    --reason "The contacts were cleaned, and the code came back."`,
		Args: arguments("ORDER"),
	}
	read.bindRead(cmd)
	flags := cmd.Flags()
	flags.StringArrayVar(&needs, "lacks", nil, "what the vehicle lacks as NAME=VALUE pairs: kind, row, side; may be repeated")
	flags.StringVar(&reason, "reason", "", "why a part is replaced that the readings do not prove to be at fault")
	flags.StringVar(&jurisdiction, "jurisdiction", "", "where the part is fitted: US-WA, …")
	flags.StringVar(&maker, "part-maker", "", "maker on the old part's label, where one part is lacking")
	flags.StringVar(&number, "part-number", "", "number on the old part's label, where one part is lacking")
	return step(c, cmd, func(order *quotev1.RepairOrder, _ []string) (*quotev1.RepairStep, error) {
		d := &quotev1.Diagnosis{Reason: reason}
		for _, text := range needs {
			values, err := pairs("--lacks", text, "kind", "row", "side")
			if err != nil {
				return nil, err
			}
			kind, position, err := parsePart("--lacks", values)
			if err != nil {
				return nil, err
			}
			d.Needs = append(d.Needs, &fitmentv1.Need{Vehicle: order.GetVehicle(), Kind: kind, Position: position, Jurisdiction: jurisdiction})
		}
		if len(d.GetNeeds()) == 1 {
			d.Needs[0].PartMaker, d.Needs[0].PartNumber = maker, number
		}
		if len(read.codes)+len(read.readings)+len(read.tests) > 0 {
			request, err := read.request()
			if err != nil {
				return nil, err
			}
			request.Vehicle = nil // the order's
			d.Read = request
		}
		return &quotev1.RepairStep{Step: &quotev1.RepairStep_Diagnosis{Diagnosis: d}}, nil
	})
}

func repairQuote(c *connection) *cobra.Command {
	return step(c, &cobra.Command{
		Use: "quote ORDER QUOTE", Short: "Record the quote that the work is to be done on",
		Long:    "Quote names the quote that was prepared for what the vehicle lacks.",
		Example: "  beltwright repair quote repairOrders/R-2026-000001 quotes/Q-2026-000001 --by Kim",
		Args:    arguments("ORDER", "QUOTE"),
	}, func(_ *quotev1.RepairOrder, args []string) (*quotev1.RepairStep, error) {
		return &quotev1.RepairStep{Step: &quotev1.RepairStep_QuoteMade{QuoteMade: &quotev1.QuoteMade{Quote: args[0]}}}, nil
	})
}

func repairOrder(c *connection) *cobra.Command {
	return step(c, &cobra.Command{
		Use: "order ORDER", Short: "Record that the quote was accepted and its parts are bought",
		Long:    "Order takes over the parts that the accepted quote bought, with the checks that are due when they arrive.",
		Example: "  beltwright repair order repairOrders/R-2026-000001 --by Kim",
		Args:    arguments("ORDER"),
	}, func(order *quotev1.RepairOrder, _ []string) (*quotev1.RepairStep, error) {
		return &quotev1.RepairStep{Step: &quotev1.RepairStep_Order{Order: &quotev1.Order{Quote: order.GetQuote()}}}, nil
	})
}

func repairInspect(c *connection) *cobra.Command {
	var passed, failed, undone, saw []string
	cmd := &cobra.Command{
		Use: "inspect ORDER SOURCE", Short: "Record the arrival check of a part",
		Long: `Inspect answers every check that is due on a part that arrived. Checks are named by their
numbers, which "repair show" lists. A part that fails one goes back, and the plan's next
one is held; what was seen of single attributes goes with it. Once a check fails, those
that no flag names count as not done; "--passed all" says that all others were done and
passed, but those named by --not-done.`,
		Example: `  beltwright repair inspect repairOrders/R-2026-000001 listings/kettlewick.SOLANE-1 --by Kim --passed all
  beltwright repair inspect repairOrders/R-2026-000001 listings/kettlewick.SOLANE-1 --by Kim \
    --passed 1 --passed 2 --passed 3 --failed "4=clip missing" --not-done 5 --saw shorting-clip-present=no`,
		Args: arguments("ORDER", "SOURCE"),
	}
	cmd.Flags().StringArrayVar(&passed, "passed", nil, "number of a check that passed, or all that no other flag names: all; may be repeated")
	cmd.Flags().StringArrayVar(&failed, "failed", nil, "number of a check that failed, with what was seen: NUMBER or NUMBER=NOTE; may be repeated")
	cmd.Flags().StringArrayVar(&undone, "not-done", nil, "number of a check that was not done, since another one failed: NUMBER or NUMBER=NOTE; may be repeated")
	bindSaw(cmd, &saw)
	return step(c, cmd, func(order *quotev1.RepairOrder, args []string) (*quotev1.RepairStep, error) {
		seen, err := parseSaw(saw)
		if err != nil {
			return nil, err
		}
		results, err := checkResults(dueChecks(order, args[0]), passed, failed, undone)
		return &quotev1.RepairStep{Step: &quotev1.RepairStep_ArrivalInspection{ArrivalInspection: &quotev1.ArrivalInspection{
			Source: args[0], Results: results, Evidence: seen,
		}}}, err
	})
}

// dueChecks are the checks due on a part of an order.
func dueChecks(order *quotev1.RepairOrder, source string) []*fitmentv1.ArrivalCheck {
	for _, p := range order.GetPurchases() {
		if p.GetSource() == source && p.GetState() == quotev1.Purchase_BOUGHT {
			return p.GetArrivalChecks()
		}
	}
	return nil
}

// checkResults reads the answers to numbered checks. What nobody says was looked at
// never counts as passed: it is not done where another check failed, else the service
// asks for it.
func checkResults(due []*fitmentv1.ArrivalCheck, passed, failed, undone []string) ([]*quotev1.CheckResult, error) {
	var results []*quotev1.CheckResult
	answered := make(map[int]bool)
	add := func(flag, text string, pass, left bool) error {
		number, note, _ := strings.Cut(text, "=")
		n, err := strconv.Atoi(strings.TrimSpace(number))
		if err != nil || n < 1 || n > len(due) {
			return usageError{fmt.Errorf("--%s: %q is none of the checks; expected a number from 1 to %d, as \"repair show\" lists them", flag, number, len(due))}
		}
		answered[n] = true
		results = append(results, &quotev1.CheckResult{Check: due[n-1].GetCheck(), Passed: pass, NotDone: left, Note: note})
		return nil
	}
	all := false
	for _, text := range failed {
		if err := add("failed", text, false, false); err != nil {
			return nil, err
		}
	}
	for _, text := range undone {
		if err := add("not-done", text, false, true); err != nil {
			return nil, err
		}
	}
	for _, text := range passed {
		if text == "all" {
			all = true
			continue
		}
		if err := add("passed", text, true, false); err != nil {
			return nil, err
		}
	}
	for n := range due {
		if !answered[n+1] && (all || len(failed) > 0) {
			results = append(results, &quotev1.CheckResult{Check: due[n].GetCheck(), Passed: all, NotDone: !all})
		}
	}
	return results, nil
}

func repairBuyNext(c *connection) *cobra.Command {
	return step(c, &cobra.Command{
		Use: "buy-next ORDER [SOURCE]", Short: "Buy what the plan tries next, after a part failed",
		Long: `Buy-next buys the part that is held next: it is decided again, and bought only within what
the customer allowed. Without SOURCE it is the one that the order names.`,
		Example: "  beltwright repair buy-next repairOrders/R-2026-000001 --by Kim",
		Args:    oneOrTwo("ORDER", "SOURCE"),
	}, func(order *quotev1.RepairOrder, args []string) (*quotev1.RepairStep, error) {
		source := strings.Join(args, "")
		for _, p := range order.GetPurchases() {
			if source == "" && p.GetState() == quotev1.Purchase_NEXT {
				source = p.GetSource()
			}
		}
		return &quotev1.RepairStep{Step: &quotev1.RepairStep_NextPurchase{NextPurchase: &quotev1.NextPurchase{Source: source}}}, nil
	})
}

// oneOrTwo wants one argument, or two, named for the message.
func oneOrTwo(first, second string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) < 1 || len(args) > 2 {
			return usageError{fmt.Errorf("%s wants %s and perhaps %s, %d given; see %s --help", cmd.CommandPath(), first, second, len(args), cmd.CommandPath())}
		}
		return nil
	}
}

func repairSettle(c *connection) *cobra.Command {
	var refunded, note string
	cmd := &cobra.Command{
		Use: "settle ORDER SOURCE", Short: "Record what a seller paid back for a part that went back",
		Long: `Settle ends a return. What was paid back becomes an entry of the books; book what was paid
for the part first ("books record").`,
		Example: "  beltwright repair settle repairOrders/R-2026-000001 listings/kettlewick.SOLANE-1 --by Kim --refunded 148.00",
		Args:    arguments("ORDER", "SOURCE"),
	}
	cmd.Flags().StringVar(&refunded, "refunded", "", "what the seller paid back, such as 148.00; nothing where nothing comes back")
	cmd.Flags().StringVar(&note, "note", "", "remarks")
	return step(c, cmd, func(order *quotev1.RepairOrder, args []string) (*quotev1.RepairStep, error) {
		currency := "USD"
		for _, p := range order.GetPurchases() {
			if p.GetSource() == args[0] {
				currency = p.GetCurrencyCode()
			}
		}
		value, err := money("refunded", refunded, currency)
		return &quotev1.RepairStep{Step: &quotev1.RepairStep_ReturnSettled{ReturnSettled: &quotev1.ReturnSettled{
			Source: args[0], Refunded: value, Note: note,
		}}}, err
	})
}

func repairFit(c *connection) *cobra.Command {
	var s quotev1.Fitting
	cmd := &cobra.Command{
		Use: "fit ORDER", Short: "Record that the parts were fitted",
		Long: `Fit records the work on the vehicle by its maker's procedure: the parts, what had to be
new, what was replaced together with them, and how long the battery had been off. Waiting
never makes a live part safe.`,
		Example: `  beltwright repair fit repairOrders/R-2026-000001 --by Kim --procedure "69-2, buckle" \
    --renewed "1 × anchor bolt" --battery-off 12`,
		Args: arguments("ORDER"),
	}
	flags := cmd.Flags()
	flags.StringArrayVar(&s.Sources, "source", nil, "part that was fitted; may be repeated (default all that passed their arrival check)")
	flags.StringArrayVar(&s.Renewed, "renewed", nil, "fastener or the like that was renewed, as \"repair show\" lists it; may be repeated")
	flags.StringArrayVar(&s.ReplacedTogether, "together", nil, "part that was replaced together with it, as \"repair show\" lists it; may be repeated")
	flags.StringVar(&s.Procedure, "procedure", "", "the vehicle maker's procedure that was followed")
	flags.Int32Var(&s.MinutesBatteryOff, "battery-off", 0, "minutes that the battery had been off")
	flags.StringVar(&s.Reason, "reason", "", "why something that must be new was used again, or left")
	return step(c, cmd, func(order *quotev1.RepairOrder, _ []string) (*quotev1.RepairStep, error) {
		for _, p := range order.GetPurchases() {
			if !flags.Changed("source") && p.GetState() == quotev1.Purchase_PASSED {
				s.Sources = append(s.Sources, p.GetSource())
			}
		}
		return &quotev1.RepairStep{Step: &quotev1.RepairStep_Fitting{Fitting: &s}}, nil
	})
}

func repairDispose(c *connection) *cobra.Command {
	var s quotev1.Disposal
	var kind, side, way string
	var row int32
	cmd := &cobra.Command{
		Use: "dispose ORDER", Short: "Record what became of an old part",
		Long: `Dispose records what became of a part that was replaced. One that has not fired is live: it
goes back by a lawful shipment, to a facility that takes air-bag waste, or is stored. In
the United States, and where the diagnosis does not say where, at most 250 are stored, for
at most 180 days, in a container labelled "Airbag Waste—Do Not Reuse" (40 CFR 261.4(j), 83
FR 61552); elsewhere local law decides. It is never thrown away or posted.`,
		Example: `  beltwright repair dispose repairOrders/R-2026-000001 --by Kim --kind buckle-pretensioner --row 1 --side right \
    --way collected --papers "Haulers 4711"`,
		Args: arguments("ORDER"),
	}
	flags := cmd.Flags()
	flags.StringVar(&kind, "kind", "", "kind of the old part")
	flags.Int32Var(&row, "row", 0, "its row, 1 is the front")
	flags.StringVar(&side, "side", "", "its side as seated: left, right or centre")
	flags.StringVar(&way, "way", "", "fired, core-returned, collected, to-owner or stored")
	flags.StringVar(&s.Papers, "papers", "", "who took it, and the number of the papers")
	flags.StringVar(&s.CoreOf, "core-of", "", "listing or offer whose core it is")
	flags.Int32Var(&s.Stored, "stored", 0, "modules and inflators in the shop, this one included")
	flags.StringVar(&s.StoredSince, "since", "", "day since which the oldest of them has been stored, YYYY-MM-DD")
	return step(c, cmd, func(_ *quotev1.RepairOrder, _ []string) (*quotev1.RepairStep, error) {
		k, kindErr := enum("--kind", kind, fitmentv1.Part_KIND_UNSPECIFIED)
		seat, sideErr := enum("--side", side, fitmentv1.Position_SIDE_UNSPECIFIED)
		number, wayErr := enum("--way", way, quotev1.Disposal_WAY_UNSPECIFIED)
		s.Kind, s.Way = fitmentv1.Part_Kind(k), quotev1.Disposal_Way(number)
		if row != 0 || seat != 0 {
			s.Position = &fitmentv1.Position{Row: row, Side: fitmentv1.Position_Side(seat)}
		}
		return &quotev1.RepairStep{Step: &quotev1.RepairStep_Disposal{Disposal: &s}}, cmp.Or(kindErr, sideErr, wayErr)
	})
}

func repairProve(c *connection) *cobra.Command {
	var s quotev1.Proof
	var loops []string
	cmd := &cobra.Command{
		Use: "prove ORDER", Short: "Record the proof that the repair worked",
		Long: `Prove records the proof: the lamp on at key-on, out after its bulb check and out with the
engine running, the codes cleared and still clear, and each loop as the module reports it
or why it cannot be read. A proof that fails is recorded too, and the order is then to be
diagnosed again. Never put a meter on a live squib: the module reports the loop.`,
		Example: `  beltwright repair prove repairOrders/R-2026-000001 --by Kim --lamp-on --lamp-out --lamp-out-running \
    --codes-cleared --codes-stayed-clear --loop kind=buckle-pretensioner,row=1,side=right,ohms=2.1`,
		Args: arguments("ORDER"),
	}
	flags := cmd.Flags()
	flags.BoolVar(&s.LampOnAtKeyOn, "lamp-on", false, "the lamp came on at key-on")
	flags.BoolVar(&s.LampOutAfterCheck, "lamp-out", false, "it went out after its bulb check")
	flags.BoolVar(&s.LampOutRunning, "lamp-out-running", false, "it stayed out with the engine running")
	flags.BoolVar(&s.CodesCleared, "codes-cleared", false, "the codes were cleared")
	flags.BoolVar(&s.CodesStayedClear, "codes-stayed-clear", false, "they stayed clear")
	flags.StringArrayVar(&loops, "loop", nil, "loop as NAME=VALUE pairs: kind, row, side, ohms or unreadable, and of the window low, high, source; may be repeated")
	return step(c, cmd, func(_ *quotev1.RepairOrder, _ []string) (*quotev1.RepairStep, error) {
		for _, text := range loops {
			loop, err := parseLoop(text)
			if err != nil {
				return nil, err
			}
			s.Loops = append(s.Loops, loop)
		}
		return &quotev1.RepairStep{Step: &quotev1.RepairStep_Proof{Proof: &s}}, nil
	})
}

func parseLoop(text string) (*quotev1.LoopProof, error) {
	const flag = "--loop"
	values, err := pairs(flag, text, "kind", "row", "side", "ohms", "unreadable", "low", "high", "source")
	if err != nil {
		return nil, err
	}
	loop := &quotev1.LoopProof{Unreadable: values["unreadable"]}
	if loop.Kind, loop.Position, err = parsePart(flag, values); err != nil {
		return nil, err
	}
	if loop.Ohms, err = number(flag, values, "ohms"); err != nil {
		return nil, err
	}
	low, lowErr := number(flag, values, "low")
	high, highErr := number(flag, values, "high")
	if err := cmp.Or(lowErr, highErr); err != nil {
		return nil, err
	}
	if low != nil || high != nil {
		loop.Window = &fitmentv1.ResistanceWindow{LowOhms: zero(low), HighOhms: zero(high), Source: values["source"]}
	}
	return loop, nil
}

func repairClose(c *connection) *cobra.Command {
	var s quotev1.Closing
	cmd := &cobra.Command{
		Use: "close ORDER", Short: "Close a proven order with the shop's warranty",
		Long:    "Close ends an order that is proven. Nothing changes in it afterwards.",
		Example: `  beltwright repair close repairOrders/R-2026-000001 --by Kim --warranty-days 365 --warranty-terms "parts and labour"`,
		Args:    arguments("ORDER"),
	}
	cmd.Flags().Int32Var(&s.WarrantyDays, "warranty-days", 0, "days of warranty that you give")
	cmd.Flags().StringVar(&s.WarrantyTerms, "warranty-terms", "", "its terms")
	return step(c, cmd, func(_ *quotev1.RepairOrder, _ []string) (*quotev1.RepairStep, error) {
		return &quotev1.RepairStep{Step: &quotev1.RepairStep_Closing{Closing: &s}}, nil
	})
}

func repairAbandon(c *connection) *cobra.Command {
	var reason string
	cmd := &cobra.Command{
		Use: "abandon ORDER", Short: "Give an order up, with the reason",
		Long: `Abandon ends an order without proof. What is held for it is released. Parts that were paid
for and are neither fitted nor returned stay named, with what to do with them.`,
		Example: `  beltwright repair abandon repairOrders/R-2026-000001 --by Kim --reason "The customer sold the vehicle."`,
		Args:    arguments("ORDER"),
	}
	cmd.Flags().StringVar(&reason, "reason", "", "why")
	return step(c, cmd, func(_ *quotev1.RepairOrder, _ []string) (*quotev1.RepairStep, error) {
		return &quotev1.RepairStep{Step: &quotev1.RepairStep_Abandonment{Abandonment: &quotev1.Abandonment{Reason: reason}}}, nil
	})
}
