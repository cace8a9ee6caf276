"""The hot folder: orders dropped in are taken once, made, and come out whole, or say why not."""
