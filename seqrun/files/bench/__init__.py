"""The bench file: ``parts`` its tables, ``file`` the whole, ``checks`` what it cannot mean."""
