"""The whole job on made-up drives, cards and a bucket, in under a minute."""
