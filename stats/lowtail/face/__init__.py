"""The public namespaces, one a job: ``lt.plan``, ``lt.plot``, ``lt.checks`` ... Nothing is computed here."""
