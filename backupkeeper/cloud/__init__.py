"""The bucket. The only package that knows boto3."""
