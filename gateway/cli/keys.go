package cli

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/app"
	"beltwright.example/services/fitment/keys"
	"beltwright.example/services/store/embedded"
)

func keysCommand(c *connection) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "keys",
		Short: "Make, list and revoke the keys of programs",
		Long: `Keys keeps the keys by which programs act for a business. A key sits at some of its
business's desks, ends after a year unless told otherwise, and is shown once, when it
is made. One that is revoked is accepted nowhere any more within 5 seconds; streams
that it opened are cut.`,
		Example: "  beltwright keys list",
		Args:    noArguments,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(keysCreate(c), keysList(c), keysRevoke(c), keysFirst())
	return cmd
}

func keysCreate(c *connection) *cobra.Command {
	key, request := &fitmentv1.Key{}, &fitmentv1.CreateKeyRequest{}
	cmd := &cobra.Command{
		Use: "create", Short: "Make a key",
		Long: `Create makes a key and prints it, this once: nothing keeps its text. Repeating the
command with the same --request-id makes no second key and shows no text; whoever lost
the answer revokes the key and makes another one.`,
		Example: `  beltwright keys create --label "front desk" --role shop --role books
  beltwright keys create --business kettlewick --label "yard scanner" --role yard --days 90`,
		Args: noArguments,
	}
	id := bindRequestID(cmd)
	flags := cmd.Flags()
	flags.StringVar(&key.Label, "label", "", "what it is for, at most 200 characters")
	flags.StringSliceVar(&key.Roles, "role", nil, "desk that it may sit at: yard, shop, books or admin (repeatable)")
	flags.Int32Var(&request.Days, "days", 0, "days until it ends, 1 to 3650; 0 means 365")
	flags.StringVar(&key.Business, "business", "", "business that it is for; yours where you name none")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		request.Key, request.RequestId = key, id.text()
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.CreateKeyResponse, error) {
			return fitmentv1.NewIdentityServiceClient(conn).CreateKey(ctx, request)
		}, func(p *printer, answer *fitmentv1.CreateKeyResponse) {
			showKey(p, answer.GetKey())
			if answer.GetText() == "" {
				p.linef("its text was in the first answer to this request and is kept nowhere")
				return
			}
			p.linef("Keep it now: it is shown this once.")
			p.linef("  %s", answer.GetText())
		})
	}
	return cmd
}

func showKey(p *printer, key *fitmentv1.Key) {
	p.linef("%s", strings.Join(nonEmpty(key.GetName(), key.GetLabel()), ", "))
	p.linef("for %s, desks %s, %s", key.GetBusiness(), strings.Join(key.GetRoles(), ", "), keyEnd(key, time.Now()))
}

// keyEnd says when a key ends, or that it has.
func keyEnd(key *fitmentv1.Key, now time.Time) string {
	ends := key.GetExpireTime().AsTime()
	switch {
	case key.GetRevokeTime() != nil:
		return "revoked " + localTime(key.GetRevokeTime().AsTime())
	case !now.Before(ends):
		return "ended " + localTime(ends)
	}
	return "ends " + localTime(ends)
}

func keysList(c *connection) *cobra.Command {
	var request fitmentv1.ListKeysRequest
	cmd := &cobra.Command{
		Use: "list", Short: "List keys", Long: "List shows the keys of your business, those that have ended included; never their text.",
		Example: "  beltwright keys list\n  beltwright keys list --business kettlewick",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.ListKeysResponse, error) {
				return fitmentv1.NewIdentityServiceClient(conn).ListKeys(ctx, &request)
			}, func(p *printer, answer *fitmentv1.ListKeysResponse) {
				rows := make([][]string, 0, len(answer.GetKeys()))
				for _, key := range answer.GetKeys() {
					used := key.GetLastUsedDay()
					if used == "" {
						used = "never"
					}
					rows = append(rows, []string{key.GetName(), key.GetLabel(), strings.Join(key.GetRoles(), ","), keyEnd(key, time.Now()), used})
				}
				p.table([]string{"key", "label", "desks", "end", "last used"}, rows)
				if token := answer.GetNextPageToken(); token != "" {
					p.linef("more: --page-token %s", token)
				}
			})
		},
	}
	cmd.Flags().StringVar(&request.Business, "business", "", "business whose keys are shown; yours where you name none")
	bindPage(cmd, &request.PageSize, &request.PageToken)
	return cmd
}

func keysRevoke(c *connection) *cobra.Command {
	cmd := &cobra.Command{
		Use: "revoke KEY", Short: "End a key",
		Long:    "Revoke ends a key for good: within 5 seconds nothing accepts it any more, and the streams that it opened are cut.",
		Example: "  beltwright keys revoke keys/demo-shop.abcdefghij23",
		Args:    arguments("KEY"),
	}
	id := bindRequestID(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		request := &fitmentv1.RevokeKeyRequest{Name: args[0], RequestId: id.text()}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.RevokeKeyResponse, error) {
			return fitmentv1.NewIdentityServiceClient(conn).RevokeKey(ctx, request)
		}, func(p *printer, answer *fitmentv1.RevokeKeyResponse) { showKey(p, answer.GetKey()) })
	}
	return cmd
}

func keysFirst() *cobra.Command {
	var data, path string
	cmd := &cobra.Command{
		Use: "first", Short: "Make another operator's key on a stopped store",
		Long: `First makes a key for the business that runs the deployment, for whoever has lost all
of them, and prints it, this once. It works on the data directory of a server that is
stopped: who may write there may do everything anyway. The keys that there were stay
as they are; list them with the new one, and revoke those that are lost.`,
		Example: "  beltwright keys first --data /var/lib/beltwright",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			first := app.OperatorKey(path)
			first.Tell = tellKey(cmd.OutOrStdout())
			if err := makeFirst(cmd.Context(), data, first); err != nil {
				return inUse(err, data)
			}
			if path != "" {
				p := &printer{out: cmd.OutOrStdout()}
				p.linef("the operator's key is in %s", path)
				return p.err
			}
			return nil
		},
	}
	cmd.Flags().StringVar(&data, "data", defaultData, "`directory` of the data, or that of its fitment side alone")
	cmd.Flags().StringVar(&path, "key-file", "", "`file` that the key is written to, in place of being printed")
	return cmd
}

// makeFirst makes an operator's key in a data directory: for the business that runs
// the deployment, whatever its name, with the desks that it has.
func makeFirst(ctx context.Context, data string, first keys.First) (err error) {
	dir, err := fitmentData(data)
	if err != nil {
		return err
	}
	if first.Path != "" {
		if _, err := os.Lstat(first.Path); !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("--key-file %s: there is such a file already; name another one", first.Path)
		}
	}
	records, err := embedded.Open(dir, embedded.Options{})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, records.Close()) }()
	if first, err = app.Running(ctx, records, first); err != nil {
		return err
	}
	store, err := keys.Open(ctx, records, keys.Options{})
	if err != nil {
		return err
	}
	_, err = store.MakeFirst(ctx, first)
	return err
}

// fitmentData is the directory of the fitment side's store, in a data directory or
// being one.
func fitmentData(data string) (string, error) {
	for _, dir := range []string{filepath.Join(data, "fitment"), data} {
		is, err := embedded.Exists(dir)
		if err != nil || is {
			return dir, err
		}
	}
	return "", fmt.Errorf("there is no store in %s; expected the data directory of a server, or its fitment folder", data)
}
