package cli

import (
	"context"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/businesses"
)

func businessCommand(c *connection) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "business",
		Short: "Admit businesses, and shut them out",
		Long: `Business keeps who works with this deployment: yards, shops, bookkeepers. Only the
operator admits and changes businesses; each one's administrators then make the keys
and add the people of their own.`,
		Example: "  beltwright business list",
		Args:    noArguments,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(businessCreate(c), businessList(c), businessSuspend(c), businessResume(c), businessDesks(c))
	return cmd
}

func businessCreate(c *connection) *cobra.Command {
	business := &fitmentv1.Business{}
	cmd := &cobra.Command{
		Use: "create ID", Short: "Admit a business",
		Long:    "Create admits a business with the desks that its keys and people may sit at. Then make a key for its administrators.",
		Example: "  beltwright business create kettlewick --name \"Kettlewick Dismantlers\" --role yard --role admin\n  beltwright keys create --business kettlewick --role admin --label \"first key\"",
		Args:    arguments("ID"),
	}
	id := bindRequestID(cmd)
	cmd.Flags().StringVar(&business.DisplayName, "name", "", "name as people write it, at most 200 characters")
	bindDesks(cmd, &business.Roles)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		business.Id = args[0]
		request := &fitmentv1.CreateBusinessRequest{Business: business, RequestId: id.text()}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.CreateBusinessResponse, error) {
			return fitmentv1.NewIdentityServiceClient(conn).CreateBusiness(ctx, request)
		}, func(p *printer, answer *fitmentv1.CreateBusinessResponse) { showBusiness(p, answer.GetBusiness()) })
	}
	return cmd
}

func bindDesks(cmd *cobra.Command, roles *[]string) {
	cmd.Flags().StringSliceVar(roles, "role", nil, "desk that its keys and people may sit at: yard, shop, books or admin (repeatable)")
}

func showBusiness(p *printer, b *fitmentv1.Business) {
	p.linef("%s, %s", b.GetName(), b.GetDisplayName())
	p.linef("desks %s; %s", strings.Join(b.GetRoles(), ", "), letIn(b))
}

// letIn says in words whether a business is let in.
func letIn(b *fitmentv1.Business) string {
	switch {
	case b.GetSuspended():
		return "shut out"
	case b.GetOperator():
		return "runs this deployment"
	}
	return "let in"
}

func businessList(c *connection) *cobra.Command {
	var request fitmentv1.ListBusinessesRequest
	cmd := &cobra.Command{
		Use: "list", Short: "List businesses", Long: "List shows all businesses to the operator, and to others their own.",
		Example: "  beltwright business list",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.ListBusinessesResponse, error) {
				return fitmentv1.NewIdentityServiceClient(conn).ListBusinesses(ctx, &request)
			}, func(p *printer, answer *fitmentv1.ListBusinessesResponse) {
				rows := make([][]string, 0, len(answer.GetBusinesses()))
				for _, b := range answer.GetBusinesses() {
					rows = append(rows, []string{b.GetName(), b.GetDisplayName(), strings.Join(b.GetRoles(), ","), letIn(b)})
				}
				p.table([]string{"business", "name", "desks", "standing"}, rows)
				if token := answer.GetNextPageToken(); token != "" {
					p.linef("more: --page-token %s", token)
				}
			})
		},
	}
	bindPage(cmd, &request.PageSize, &request.PageToken)
	return cmd
}

func businessSuspend(c *connection) *cobra.Command {
	return changeBusiness(c, &cobra.Command{
		Use: "suspend ID", Short: "Shut a business out",
		Long:    "Suspend shuts a business out: within 5 seconds none of its keys and sessions is accepted any more. What it has stays.",
		Example: "  beltwright business suspend saltmarrow",
	}, func(b *fitmentv1.Business) { b.Suspended = true })
}

func businessResume(c *connection) *cobra.Command {
	return changeBusiness(c, &cobra.Command{
		Use: "resume ID", Short: "Let a business in again",
		Long:    "Resume lets a business in again, with the keys and people that it had.",
		Example: "  beltwright business resume saltmarrow",
	}, func(b *fitmentv1.Business) { b.Suspended = false })
}

func businessDesks(c *connection) *cobra.Command {
	var roles []string
	cmd := changeBusiness(c, &cobra.Command{
		Use: "desks ID", Short: "Say at which desks a business may sit",
		Long:    "Desks replaces the desks of a business. A desk that is taken from it is taken from its keys and people too, within 5 seconds.",
		Example: "  beltwright business desks saltmarrow --role yard --role shop --role admin",
	}, func(b *fitmentv1.Business) { b.Roles = roles })
	bindDesks(cmd, &roles)
	return cmd
}

// changeBusiness is a command that reads a business, changes it, and writes it where
// nobody else has changed it meanwhile.
func changeBusiness(c *connection, cmd *cobra.Command, change func(*fitmentv1.Business)) *cobra.Command {
	cmd.Args = arguments("ID")
	id := bindRequestID(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		name := businesses.Prefix + strings.TrimPrefix(args[0], businesses.Prefix)
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.UpdateBusinessResponse, error) {
			client := fitmentv1.NewIdentityServiceClient(conn)
			read, err := client.GetBusiness(ctx, &fitmentv1.GetBusinessRequest{Name: name})
			if err != nil {
				return nil, err
			}
			next := proto.CloneOf(read.GetBusiness())
			change(next)
			return client.UpdateBusiness(ctx, &fitmentv1.UpdateBusinessRequest{
				Business: next, Etag: read.GetBusiness().GetEtag(), RequestId: id.text(),
			})
		}, func(p *printer, answer *fitmentv1.UpdateBusinessResponse) { showBusiness(p, answer.GetBusiness()) })
	}
	return cmd
}
