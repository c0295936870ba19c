package cli

import (
	"context"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

func catalogueCommand(c *connection) *cobra.Command {
	cmd := &cobra.Command{
		Use:     "catalogue",
		Short:   "Look at parts, supersessions, recalls and vehicle data",
		Long:    "Catalogue shows what decisions stand on beside the listings; import changes it.",
		Example: "  beltwright catalogue part parts/korrin.KR4821R",
		Args:    noArguments,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(cataloguePart(c), catalogueParts(c), catalogueSupersessions(c), catalogueRecalls(c), catalogueVehicleData(c))
	return cmd
}

// catalogueClient is the service that all these commands ask.
func catalogueClient(conn grpc.ClientConnInterface) fitmentv1.CatalogueServiceClient {
	return fitmentv1.NewCatalogueServiceClient(conn)
}

// page is an answer that may have another one behind it.
type page interface {
	proto.Message
	GetNextPageToken() string
}

// catalogueList is a command that shows one page of records as a table.
func catalogueList[Res page](
	c *connection, what, long string, ask func(ctx context.Context, client fitmentv1.CatalogueServiceClient, size int32, token string) (Res, error),
	header []string, rows func(answer Res) [][]string,
) *cobra.Command {
	var size int32
	var token string
	cmd := &cobra.Command{
		Use: what, Short: "List " + strings.ReplaceAll(what, "-", " "), Long: long,
		Example: "  beltwright catalogue " + what + " --page-size 20",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (Res, error) {
				return ask(ctx, catalogueClient(conn), size, token)
			}, func(p *printer, answer Res) {
				p.table(header, rows(answer))
				if next := answer.GetNextPageToken(); next != "" {
					p.linef("more: --page-token %s", next)
				}
			})
		},
	}
	bindPage(cmd, &size, &token)
	return cmd
}

func cataloguePart(c *connection) *cobra.Command {
	return &cobra.Command{
		Use: "part PART", Short: "Show one part", Long: "Part shows one part with the vehicles that it is for and what fitting it takes.",
		Example: "  beltwright catalogue part parts/korrin.KR4821R",
		Args:    arguments("PART"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.GetPartResponse, error) {
				return catalogueClient(conn).GetPart(ctx, &fitmentv1.GetPartRequest{Name: args[0]})
			}, func(p *printer, answer *fitmentv1.GetPartResponse) { showPart(p, answer.GetPart()) })
		},
	}
}

func showPart(p *printer, part *fitmentv1.Part) {
	p.linef("%s: %s %s, %s", part.GetName(), part.GetMaker(), part.GetNumber(), words(part.GetKind()))
	var facts []string
	for _, position := range part.GetPositions() {
		facts = append(facts, "made for "+place(position))
	}
	if k := part.GetConnector(); k != nil {
		facts = append(facts, "connector "+strings.Join(nonEmpty(k.GetInterface(), k.GetKeying()), ", keying "))
	}
	if w := part.GetWindow(); w != nil {
		facts = append(facts, "resistance window "+ohms(w.GetLowOhms())+" to "+ohms(w.GetHighOhms())+" Ω, from "+w.GetSource())
	}
	if part.GetServiceLifeYears() > 0 {
		facts = append(facts, "service life "+strconv.Itoa(int(part.GetServiceLifeYears()))+" years")
	}
	if part.GetDiscontinued() {
		facts = append(facts, "no longer supplied new")
	}
	if part.GetProgramming() != fitmentv1.Part_PROGRAMMING_UNSPECIFIED {
		facts = append(facts, "programming: "+words(part.GetProgramming()))
	}
	if part.GetDonorPolicy() != fitmentv1.Part_DONOR_POLICY_UNSPECIFIED {
		facts = append(facts, "from another vehicle, by its maker: "+words(part.GetDonorPolicy()))
	}
	p.list("facts", facts)
	p.list("for", applications(part))
	p.list("used once, to be renewed", renewed(part))
	p.list("replaced together with it", related(part))
}

func ohms(value float64) string { return strconv.FormatFloat(value, 'g', 4, 64) }

// span writes a range of years or days, open where an end is missing.
func span(from, to string) string {
	if from == "" && to == "" {
		return ""
	}
	return from + "–" + to
}

// year is a model year, empty where it is not limited.
func year(y int32) string {
	if y == 0 {
		return ""
	}
	return strconv.Itoa(int(y))
}

func applications(part *fitmentv1.Part) []string {
	list := make([]string, 0, len(part.GetApplications()))
	for _, a := range part.GetApplications() {
		side := ""
		if a.GetDriveSide() != fitmentv1.Vehicle_DRIVE_SIDE_UNSPECIFIED {
			side = words(a.GetDriveSide()) + "-hand drive"
		}
		built := span(a.GetBuiltFrom(), a.GetBuiltTo())
		if built != "" {
			built = "built " + built
		}
		name := a.GetMake() + " " + a.GetModel() + " " + span(year(a.GetYearFrom()), year(a.GetYearTo()))
		list = append(list, strings.Join(nonEmpty(strings.TrimSpace(name), a.GetBody(), side, a.GetMarket(), built), ", "))
	}
	return list
}

func renewed(part *fitmentv1.Part) []string {
	list := make([]string, 0, len(part.GetOneUse()))
	for _, item := range part.GetOneUse() {
		list = append(list, strings.TrimSpace(strconv.Itoa(int(max(1, item.GetQuantity())))+" × "+item.GetText()+" "+item.GetNumber()))
	}
	return list
}

func related(part *fitmentv1.Part) []string {
	list := make([]string, 0, len(part.GetReplaceWith()))
	for _, other := range part.GetReplaceWith() {
		when := ""
		if other.GetAfterDeployment() {
			when = "after a deployment only"
		}
		list = append(list, strings.Join(nonEmpty(words(other.GetKind()), other.GetNumber(), when, other.GetText()), ", "))
	}
	return list
}

func catalogueParts(c *connection) *cobra.Command {
	return catalogueList(c, "parts", "Parts lists the parts of the catalogue in the order of their names.",
		func(ctx context.Context, client fitmentv1.CatalogueServiceClient, size int32, token string) (*fitmentv1.ListPartsResponse, error) {
			return client.ListParts(ctx, &fitmentv1.ListPartsRequest{PageSize: size, PageToken: token})
		}, []string{"part", "kind", "for"}, func(answer *fitmentv1.ListPartsResponse) [][]string {
			rows := make([][]string, 0, len(answer.GetParts()))
			for _, part := range answer.GetParts() {
				rows = append(rows, []string{part.GetName(), words(part.GetKind()), strings.Join(applications(part), "; ")})
			}
			return rows
		})
}

func catalogueSupersessions(c *connection) *cobra.Command {
	return catalogueList(c, "supersessions", "Supersessions lists which number may be fitted where another belongs, and on what condition.",
		func(ctx context.Context, client fitmentv1.CatalogueServiceClient, size int32, token string) (*fitmentv1.ListSupersessionsResponse, error) {
			return client.ListSupersessions(ctx, &fitmentv1.ListSupersessionsRequest{PageSize: size, PageToken: token})
		}, []string{"maker", "old", "new", "type", "years", "built", "plant", "market", "options", "source"}, func(answer *fitmentv1.ListSupersessionsResponse) [][]string {
			rows := make([][]string, 0, len(answer.GetSupersessions()))
			for _, s := range answer.GetSupersessions() {
				kind := fitmentv1.Supersession_REPLACES
				if s.GetType() == fitmentv1.Supersession_SUBSTITUTE {
					kind = fitmentv1.Supersession_SUBSTITUTE
				}
				rows = append(rows, []string{
					s.GetMaker(), s.GetOldNumber(), s.GetNewNumber(), words(kind), span(year(s.GetYearFrom()), year(s.GetYearTo())),
					span(s.GetBuiltFrom(), s.GetBuiltTo()), s.GetPlant(), s.GetMarket(), strings.Join(s.GetOptions(), " "), s.GetSource(),
				})
			}
			return rows
		})
}

func catalogueRecalls(c *connection) *cobra.Command {
	return catalogueList(c, "recalls", "Recalls lists the notices that are loaded, and up to which day the sets of notices are complete.",
		func(ctx context.Context, client fitmentv1.CatalogueServiceClient, size int32, token string) (*fitmentv1.ListRecallsResponse, error) {
			return client.ListRecalls(ctx, &fitmentv1.ListRecallsRequest{PageSize: size, PageToken: token})
		}, []string{"type", "number", "day", "part maker", "part number", "vehicle", "summary"}, func(answer *fitmentv1.ListRecallsResponse) [][]string {
			rows := make([][]string, 0, len(answer.GetRecalls()))
			for _, r := range answer.GetRecalls() {
				vehicle := strings.Join(nonEmpty(r.GetMake(), r.GetModel(), span(year(r.GetYearFrom()), year(r.GetYearTo()))), " ")
				rows = append(rows, []string{words(r.GetType()), r.GetNumber(), r.GetIssued() + r.GetAsOf(), r.GetPartMaker(), r.GetPartNumber(), vehicle, r.GetSummary()})
			}
			return rows
		})
}

func catalogueVehicleData(c *connection) *cobra.Command {
	return catalogueList(c, "vehicle-data", "Vehicle-data lists what is known of vehicles: the dialect of their codes, the wait before work, windows.",
		func(ctx context.Context, client fitmentv1.CatalogueServiceClient, size int32, token string) (*fitmentv1.ListVehicleDataResponse, error) {
			return client.ListVehicleData(ctx, &fitmentv1.ListVehicleDataRequest{PageSize: size, PageToken: token})
		}, []string{"vehicle", "dialect", "wait", "window", "of", "display ends", "source"}, func(answer *fitmentv1.ListVehicleDataResponse) [][]string {
			rows := make([][]string, 0, len(answer.GetVehicleData()))
			for _, d := range answer.GetVehicleData() {
				rows = append(rows, vehicleRow(d))
			}
			return rows
		})
}

func vehicleRow(d *fitmentv1.VehicleData) []string {
	row := []string{strings.Join(nonEmpty(d.GetMake(), d.GetModel(), span(year(d.GetYearFrom()), year(d.GetYearTo()))), " "), d.GetDialect(), "", "", "", "", d.GetSource()}
	if d.WaitMinutes != nil {
		row[2] = ohms(d.GetWaitMinutes()) + " min"
	}
	if w := d.GetWindow(); w != nil {
		row[3] = ohms(w.GetLowOhms()) + "–" + ohms(w.GetHighOhms()) + " Ω"
	}
	if d.GetKind() != fitmentv1.Part_KIND_UNSPECIFIED {
		row[4] = words(d.GetKind())
	}
	if d.DisplayLimitOhms != nil {
		row[5] = ohms(d.GetDisplayLimitOhms()) + " Ω"
	}
	return row
}

func partsCommand(c *connection) *cobra.Command {
	var need needFlags
	cmd := &cobra.Command{
		Use:   "parts",
		Short: "Find the parts that are right for a need, and whether they are under recall",
		Long: `Parts finds the catalogue's parts for a need: by their own application, or because
they supersede one, with the numbers on the way.`,
		Example: `  beltwright parts --make Tarvena --model Solane --year 2006 --drive-side left \
    --body saloon --kind buckle-pretensioner --row 1 --side right`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			n, err := need.need(c, cmd)
			if err != nil {
				return err
			}
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.FindPartsResponse, error) {
				return fitmentv1.NewFitmentServiceClient(conn).FindParts(ctx, &fitmentv1.FindPartsRequest{Need: n})
			}, showMatches)
		},
	}
	need.bind(cmd)
	return cmd
}

func showMatches(p *printer, answer *fitmentv1.FindPartsResponse) {
	if len(answer.GetParts()) == 0 {
		p.linef("The catalogue knows no part for this need.")
		return
	}
	rows := make([][]string, 0, len(answer.GetParts()))
	for _, m := range answer.GetParts() {
		way := "by its application"
		if m.GetVia() == fitmentv1.PartMatch_SUPERSESSION {
			way = strings.Join(m.GetPath(), " → ")
		}
		rows = append(rows, []string{
			m.GetPart().GetName(), way, words(m.GetApplication().GetAnswer()), words(m.GetRecall().GetAnswer()), m.GetApplication().GetReason(),
		})
	}
	p.table([]string{"part", "found", "right for it", "free of recalls", "why"}, rows)
}
