"""Tell what many readings say together: analysis of variance, gauge studies, control charts."""
