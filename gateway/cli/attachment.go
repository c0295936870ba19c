package cli

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"

	"github.com/spf13/cobra"

	"beltwright.example/gateway/content"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
)

func attachmentCommand(c *connection) *cobra.Command {
	cmd := &cobra.Command{
		Use:     "attachment",
		Short:   "Upload and download photos and documents",
		Long:    "Attachment brings photos and documents to the server, whose names evidence can then give, and back.",
		Example: "  beltwright attachment put label.jpg",
		Args:    noArguments,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(attachmentPut(c), attachmentGet(c))
	return cmd
}

func attachmentPut(c *connection) *cobra.Command {
	var kind string
	cmd := &cobra.Command{
		Use: "put FILE", Short: "Upload a photo or document",
		Long: `Put uploads a photo (JPEG, PNG or WebP) or a document (PDF) of at most 10 MiB and
prints its name. The name follows from the content: the same file again is the same
attachment.`,
		Example: "  beltwright attachment put label.jpg",
		Args:    arguments("FILE"),
		RunE:    func(cmd *cobra.Command, args []string) error { return c.putFile(cmd, args[0], kind) },
	}
	cmd.Flags().StringVar(&kind, "type", "", "`type` of the content, such as image/jpeg (default what it looks like)")
	return cmd
}

// putFile reads a file twice: to say beforehand what is coming, so that what arrives
// is compared with what is here, and to send it.
func (c *connection) putFile(cmd *cobra.Command, path, kind string) (err error) {
	file, err := os.Open(path) //nolint:gosec // a file that the user named
	if err != nil {
		return fmt.Errorf("open the file: %w", err)
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	options, err := describe(file, kind)
	if err != nil {
		return fmt.Errorf("read %s: %w", path, err)
	}
	ctx, conn, err := c.open(cmd.Context())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	answer, err := content.Put(ctx, conn, options, file)
	if err != nil {
		return err
	}
	return c.print(cmd, answer, func(p *printer) { showAttachment(p, answer.GetAttachment()) })
}

// describe says what a file holds, and goes back to its beginning.
func describe(file io.ReadSeeker, kind string) (*fitmentv1.AttachmentOptions, error) {
	head := make([]byte, 512) // as much as http.DetectContentType looks at
	n, err := io.ReadFull(file, head)
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		return nil, err
	}
	if n == 0 {
		return nil, errors.New("the file is empty; expected a photo (JPEG, PNG or WebP) or a PDF")
	}
	if kind == "" {
		kind = http.DetectContentType(head[:n])
	}
	sum := sha256.New()
	_, _ = sum.Write(head[:n]) // a hash never fails
	if _, err := io.Copy(sum, file); err != nil {
		return nil, err
	}
	_, err = file.Seek(0, io.SeekStart)
	return &fitmentv1.AttachmentOptions{ContentType: kind, Sha256: hex.EncodeToString(sum.Sum(nil))}, err
}

func showAttachment(p *printer, a *fitmentv1.Attachment) {
	p.linef("%s", a.GetName())
	p.linef("%s, %d bytes, uploaded %s", a.GetContentType(), a.GetSize(), localTime(a.GetCreateTime().AsTime()))
}

func attachmentGet(c *connection) *cobra.Command {
	var request fitmentv1.DownloadAttachmentRequest
	var out string
	cmd := &cobra.Command{
		Use: "get ATTACHMENT", Short: "Download a photo or document",
		Long: `Get downloads an attachment into a file, which must not exist yet. Your own need
nothing else; for another business's, name the listing that shows it.`,
		Example: `  beltwright attachment get attachments/kettlewick.ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad \
    --listing listings/kettlewick.SOLANE-1 -o label.jpg`,
		Args: arguments("ATTACHMENT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			request.Name = args[0]
			return c.getFile(cmd, &request, out)
		},
	}
	cmd.Flags().StringVar(&request.Listing, "listing", "", "listing that shows it")
	cmd.Flags().StringVarP(&out, "out", "o", "", "`file` to write; - is standard output (default the hash with the type's ending)")
	return cmd
}

func (c *connection) getFile(cmd *cobra.Command, request *fitmentv1.DownloadAttachmentRequest, out string) (err error) {
	ctx, conn, err := c.open(cmd.Context())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	attachment, from, err := content.Get(ctx, conn, request)
	if err != nil {
		return err
	}
	if out == "-" {
		_, err := io.Copy(cmd.OutOrStdout(), from)
		return err
	}
	if out == "" {
		_, sum, ok := listing.ParseAttachmentName(request.GetName()) // the user's word: a server names no file here
		if !ok {
			return fmt.Errorf("%s is no attachment's name; expected attachments/{yard}.{hash}, or --out FILE", request.GetName())
		}
		out = sum + content.Ending(attachment.GetContentType())
	}
	if err := writeNew(out, from); err != nil {
		return err
	}
	return c.print(cmd, attachment, func(p *printer) { p.linef("%s: %s, %d bytes", out, attachment.GetContentType(), attachment.GetSize()) })
}

// writeNew writes a file that does not exist yet, whole or not at all.
func writeNew(path string, from io.Reader) error {
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600) //nolint:gosec // a file that the user named
	switch {
	case errors.Is(err, fs.ErrExist):
		return fmt.Errorf("no file is overwritten; name another one with --out: %w", err)
	case err != nil:
		return fmt.Errorf("make the file: %w", err)
	}
	_, err = io.Copy(file, from)
	if err = errors.Join(err, file.Close()); err != nil {
		return errors.Join(err, os.Remove(path))
	}
	return nil
}
